package coverage

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Source: JCGM 100:2008 (GUM), G.2 and table G.1: 1.65 for a rectangle, 1.90 for a triangle, 1.96 for the normal distribution;
// to more digits 0.95·√3 and (1-√0.05)·√6, analytic.
func TestFactorOfKnownDistributions(t *testing.T) {
	require.InEpsilon(t, 0.95*math.Sqrt(3), Factor(Rectangle), 1e-3)
	require.InEpsilon(t, (1-math.Sqrt(0.05))*math.Sqrt(6), Factor(Rectangle/2), 2e-3)
	require.Equal(t, Normal, Factor(0))
	require.Equal(t, Normal, Factor(0.1))
	require.Equal(t, Factor(Rectangle), Factor(-2))
}

func TestFactorNeverFallsTowardsTheNormalDistribution(t *testing.T) {
	for k := -1.2; k < 0; k += 0.001 {
		require.LessOrEqual(t, Factor(k), Factor(k+0.001))
	}
}
