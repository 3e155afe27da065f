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

// Source: AEC-Q001, static part average limits: robust mean is the median, robust sigma (Q3 - Q1)/1.35, limits are the robust mean
// and six robust sigmas (known from memory). The figures follow from that by hand: of 1 to 12 the median is 6.5, the quartiles by
// Hyndman and Fan's definition 8 are 3 5/12 and 9 7/12, sigma is 6 1/6 over 1.35.
func TestPopulationIsTheStandardsByHand(t *testing.T) {
	p, err := Describe([]float64{12, 1, 11, 2, 10, 3, 9, 4, 8, 5, 7, 6})
	require.NoError(t, err)
	require.Equal(t, 12, p.Units)
	require.InDelta(t, 6.5, p.Mean, 1e-12)
	require.InDelta(t, (9+7.0/12-3-5.0/12)/1.35, p.Sigma, 1e-12)
	low, high := p.Limits()
	require.InDelta(t, 6.5-6*37/6/1.35, low, 1e-9)
	require.InDelta(t, 6.5+6*37/6/1.35, high, 1e-9)
}

// Limits from the fewest units that are enough: how often they would leave out a next good unit, against the 2e-9 of six true
// sigmas. The wide scatter of quartiles of so few is why there is a fewest.
func TestLimitsOfTheFewestUnitsLeaveOutFewGoodOnes(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	const sets = 20000
	out, median := 0, 0.0
	for range sets {
		var readings []float64
		for range FewestUnits {
			readings = append(readings, random.NormFloat64())
		}
		p, err := Describe(readings)
		require.NoError(t, err)
		median += p.Mean / sets
		low, high := p.Limits()
		if next := random.NormFloat64(); next < low || next > high {
			out++
		}
	}
	t.Logf("%d of %d good units lie outside", out, sets)
	require.Less(t, float64(out)/sets, 0.005)
	require.InDelta(t, 0, median, 0.02, "the robust mean leans to neither side")
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
