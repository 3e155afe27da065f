package verdict

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestPopulationIsNotMovedByOneWildUnit(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	var readings []float64
	for range 4000 {
		readings = append(readings, 15+0.1*random.NormFloat64())
	}
	readings[0] = 1e6
	p, err := Describe(readings)
	require.NoError(t, err)
	require.InDelta(t, 15, p.Mean, 0.01)
	require.InDelta(t, 0.1, p.Sigma, 0.01) // the quartiles of a normal distribution are 1.349 sigma apart
	low, high := p.Limits()
	require.InDelta(t, 14.4, low, 0.06)
	require.InDelta(t, 15.6, high, 0.06)
}

func TestPopulationRefusesWhatTeachesNothing(t *testing.T) {
	same := make([]float64, 20)
	_, err := Describe(same)
	require.ErrorContains(t, err, "read the same")
	_, err = Describe(same[:5])
	require.ErrorContains(t, err, "too few")
	same[3] = math.NaN()
	_, err = Describe(same)
	require.ErrorContains(t, err, "no finite number")
}
