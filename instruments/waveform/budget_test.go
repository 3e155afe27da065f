package waveform

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// 0.95·a of a rectangle ±a, and of two equal ones (a triangle of ±2a) 2a·(1-√0.05): analytic. 1.960 of the normal distribution.
//
// Source: JCGM 100:2008 (GUM), G.1.3 table G.1 and G.2: 1.65 for a rectangle, 1.90 for a triangle, 1.96 for the normal one.
func TestCoverageFollowsFromTheDistribution(t *testing.T) {
	var one, two, normal budget
	one.within(2)
	require.InEpsilon(t, 1.9, one.expanded(), 1e-3)
	two.within(1)
	two.within(1)
	require.InEpsilon(t, 2*(1-math.Sqrt(0.05)), two.expanded(), 2e-3)
	normal.scatters(1)
	require.InDelta(t, 1.960, normal.expanded(), 1e-3)
	require.Zero(t, budget{}.expanded())
}

func TestPartOfAnotherBudgetWeighsByItsFactor(t *testing.T) {
	var a, b, c budget
	a.within(1)
	a.scatters(0.5)
	b.plus(a, -3)
	c.within(3)
	c.scatters(1.5)
	require.InDelta(t, c.standard(), b.standard(), 1e-12)
	require.InDelta(t, c.expanded(), b.expanded(), 1e-12)
}

// Drawn sums of rectangles and a normal part lie within the expanded uncertainty in 95 % of cases, whatever their widths.
func TestExpandedHoldsNinetyFivePercentOfAnySum(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 95))
	for range 60 {
		var b budget
		sigma := math.Pow(10, -2+2.5*random.Float64())
		halves := make([]float64, random.IntN(4))
		b.scatters(sigma)
		for i := range halves {
			halves[i] = math.Pow(10, -2+2.5*random.Float64())
			b.within(halves[i])
		}
		const draws = 20_000
		u, held := b.expanded(), 0
		for range draws {
			x := sigma * random.NormFloat64()
			for _, h := range halves {
				x += h * (2*random.Float64() - 1)
			}
			if math.Abs(x) <= u {
				held++
			}
		}
		// 0.95 ± four standard deviations of a count of 20,000, and what the table rounds up.
		require.InDelta(t, 0.9515, float64(held)/draws, 0.0085, "sigma %v, limits %v", sigma, halves)
	}
}
