package waveform

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

func TestSeriesResistanceFromTheFirstStep(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	const amperes, farads = 0.5, 470e-6
	record := func(ohms, gap, noise, begins float64) (s []Sample) {
		for i := range 60 {
			at := gap * float64(i)
			v := 0.0
			if at >= begins {
				v = amperes*ohms + amperes/farads*(at-begins)
			}
			s = append(s, Sample{T: quantity.Seconds(at), V: quantity.Volts(v + noise*random.NormFloat64())})
		}
		return s
	}
	held := 0
	for range 500 {
		m := SeriesResistance(record(0.2, 10e-6, 1e-3, 2e-4+1e-4*random.Float64()), amperes, 0.005, 2e-3)
		require.True(t, m.Known(), m.Undecided)
		if math.Abs(m.Value-0.2) <= m.U {
			held++
		}
	}
	require.GreaterOrEqual(t, held, 465, "the truth in its uncertainty in 93 % of 500 cases")

	slow := SeriesResistance(record(0.2, 0.1, 1e-3, 1.03), amperes, 0.005, 2e-3)
	require.Contains(t, slow.Undecided, "at most", "a poll each 100 ms hides the step in the rise")
	require.GreaterOrEqual(t, slow.AtMost, 0.2)
	require.NotEmpty(t, slow.Change)
	require.Contains(t, SeriesResistance(nil, amperes, 0, 1e-3).Undecided, "are needed")
	require.False(t, SeriesResistance(record(0.2, 10e-6, 0, 0), amperes, 0, 1e-3).Known(), "nothing before the current")
}
