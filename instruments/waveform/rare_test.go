package waveform

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// long is a record of 100 ms at 2 MS/s of a 20 kHz train in which the pulses numbered in lost are absent, and short pulses
// stand in the gaps after those in extra. Pulse k begins at 10 µs + k·50 µs.
func long(noise float64, lost, extra map[int]bool) Trace {
	f := func(t float64) float64 {
		k := int(math.Floor((t - 10e-6) / 50e-6))
		phase := t - 10e-6 - float64(k)*50e-6
		if phase < 20e-6 && !lost[k] || extra[k] && phase > 28e-6 && phase < 34e-6 {
			return 12
		}
		return 0
	}
	return scope{step: 0.5e-6, points: 200_000, bits: 8, low: -5, high: 20, noise: noise, seed: 1}.take(f)
}

func TestMissingAndExtraPulsesAreCounted(t *testing.T) {
	tests := []struct {
		name        string
		lost, extra map[int]bool
	}{
		{"good", nil, nil},
		{"one missing", map[int]bool{700: true}, nil},
		{"two in a row and one alone", map[int]bool{100: true, 101: true, 1500: true}, nil},
		{"one extra", nil, map[int]bool{42: true}},
		{"missing and extra", map[int]bool{3: true, 900: true}, map[int]bool{40: true, 901: true}},
		{"the first ones", map[int]bool{0: true, 1: true}, nil},
		{"the last ones", map[int]bool{1998: true, 1999: true}, nil},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			r := Missing(long(0.2, test.lost, test.extra), 50e-6, Options{})
			require.Empty(t, r.Undecided)
			require.Equal(t, len(test.lost), r.Missing, "missing")
			require.Equal(t, len(test.extra), r.Extra, "extra")
			require.Equal(t, 2000, r.Expected)
			require.Equal(t, 2000-len(test.lost)+len(test.extra), r.Found)
			require.Len(t, r.Where, len(test.lost)+len(test.extra))
			for _, at := range r.Where {
				k := int(math.Round(float64(at)/50e-6 - 0.2))
				require.True(t, test.lost[k] || test.extra[k] || test.extra[k-1], "%v is pulse %d", at, k)
			}
		})
	}
}

func TestAPeriodThatIsSlightlyOffCostsNothing(t *testing.T) {
	r := Missing(long(0, map[int]bool{700: true}, nil), 50.5e-6, Options{})
	require.Equal(t, 1, r.Missing)
	require.Zero(t, r.Extra)
}

func TestADeadChannelMissesEveryPulse(t *testing.T) {
	r := Missing(scope{step: 0.5e-6, points: 200_000, bits: 8, low: -5, high: 20, noise: 0.1}.take(func(float64) float64 { return 0 }), 50e-6, Options{})
	require.Equal(t, r.Expected, r.Missing)
	require.Zero(t, r.Found)
}

func TestPulsesThatMayHideBetweenSamplesAreUndecided(t *testing.T) {
	r := Missing(long(0, nil, nil), 2e-6, Options{})
	require.Contains(t, r.Undecided, "samples a period")
	narrow := train(0, 12, ramp(1e-9), ramp(1e-9), 3e-6, 50e-6, 0.7e-6)
	r = Missing(scope{step: 0.5e-6, points: 200_000}.take(narrow), 50e-6, Options{})
	require.Contains(t, r.Undecided, "narrowest pulse")
	require.NotEmpty(t, Missing(Trace{}, 50e-6, Options{}).Undecided)
	require.NotEmpty(t, Missing(long(0, nil, nil), quantity.Seconds(math.NaN()), Options{}).Undecided)
}

func TestPulsesFor(t *testing.T) {
	// Source: geometric distribution, 1 - (1 - 1/N)^n >= c; 459 at N = 100 and 99 % and 299 at 95 % are the textbook
	// figures of acceptance sampling with no failure allowed.
	require.Equal(t, 459, PulsesFor(100, 0.99))
	require.Equal(t, 299, PulsesFor(100, 0.95))
	require.Equal(t, 1, PulsesFor(1, 0.99))
	for _, n := range []int{2, 10, 1000} {
		for _, c := range []float64{0.5, 0.9, 0.999} {
			k := float64(PulsesFor(n, c))
			require.GreaterOrEqual(t, 1-math.Pow(1-1/float64(n), k), c-1e-12)
			require.Less(t, 1-math.Pow(1-1/float64(n), k-1), c)
		}
	}
}

func TestConfidenceIsWhatThePulsesGive(t *testing.T) {
	require.InDelta(t, 0.95, ConfidenceIn(10_000, 29_956), 1e-5, "ln(0.05)/ln(1-1/10000) = 29955.8, computed")
	require.InDelta(t, 0.6321, ConfidenceIn(1_000_000, 1_000_000), 1e-4, "1 - 1/e for one expected, analytic")
	require.Zero(t, ConfidenceIn(1000, 0))
	for _, c := range []float64{0.5, 0.9, 0.999} {
		n := PulsesFor(777, c)
		require.GreaterOrEqual(t, ConfidenceIn(777, n), c)
		require.Less(t, ConfidenceIn(777, n-1), c, "no pulse more than needed")
	}
}
