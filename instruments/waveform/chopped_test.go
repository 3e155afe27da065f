package waveform

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// choppedTrace is high for duty of each period of so many samples, in 8 bits over 80 V.
func choppedTrace(n int, period, duty, high, low, shift float64) Trace {
	codes := make([]byte, n)
	for i := range codes {
		v := low
		if _, at := math.Modf((float64(i) + shift) / period); at < duty {
			v = high
		}
		codes[i] = byte(math.Round((v + 10) / 80 * 255))
	}
	t := FromUint8(codes, 80./255, -10)
	t.Step = 1e-6
	return t
}

func TestAChoppedPhaseIsMeasuredOverWholePeriods(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 5))
	for range 500 {
		period, duty, high := 40+160*random.Float64(), 0.1+0.8*random.Float64(), 20+40*random.Float64()
		c := FitChopped(choppedTrace(2000, period, duty, high, 0, period*random.Float64()), ChoppedOptions{Absolute: 0.1})
		require.InDelta(t, high, c.High.Value, c.High.U)
		require.InDelta(t, 0, c.Low.Value, c.Low.U)
		edge := high / period // duty itself is only as good as a sample
		require.InDelta(t, high*duty, c.Mean.Value, c.Mean.U+edge)
		require.InDelta(t, high*math.Sqrt(duty), c.RMS.Value, c.RMS.U+edge/math.Sqrt(duty))
		require.InEpsilon(t, 1e6/period, c.Rate.Value, 0.01)
	}
}

// At the end of a pulse the phase hangs in the dead time's middle of nowhere; the other leg pulls it up for one sample more before it goes
// down. Wherever in the record that happens, once or in every period, it shifts neither mean nor rate.
func TestAPhaseThatHangsAndIsPulledUpOnceMoreIsMeasuredAllTheSame(t *testing.T) {
	const period, duty, high = 100., 0.45, 30.
	for shift := range 100 {
		for _, every := range []int{1, 5, 20} {
			good := choppedTrace(2000, period, duty, high, 0, float64(shift))
			codes := make([]byte, good.Len())
			for i := range codes {
				codes[i] = byte(good.codes.at(i))
			}
			for i, ends := 1, 0; i+3 < len(codes); i++ {
				if codes[i-1] > codes[i] && codes[i-1] > 100 && codes[i] < 60 {
					if ends++; ends%every == 0 || ends == 1 {
						const hangs = 53 // 6.6 V
						codes[i], codes[i+1], codes[i+2] = hangs, hangs, codes[i-1]
						i += 4
					}
				}
			}
			hung := FromUint8(codes, 80./255, -10)
			hung.Step = 1e-6
			c := FitChopped(hung, ChoppedOptions{Absolute: 0.1})
			require.True(t, c.Mean.Known(), "%d, %d: %s", shift, every, c.Mean.Undecided)
			truth := 0.0 // the record is twenty periods long
			for i := range codes {
				truth += hung.At(i) / float64(len(codes))
			}
			require.InDelta(t, truth, c.Mean.Value, 0.01*high, "shift %d, every %d", shift, every) // one sample of a period's hundred
			require.InEpsilon(t, 1e6/period, c.Rate.Value, 0.01, "shift %d, every %d", shift, every)
		}
	}
}

func TestAChoppedPhaseIsUndecidedWhereTheRecordCannotTell(t *testing.T) {
	tests := map[string]struct {
		trace Trace
		why   string
	}{
		"clipped":            {choppedTrace(2000, 100, 0.5, 70, 0, 0), "clipped"},
		"too few periods":    {choppedTrace(2000, 900, 0.5, 50, 0, 0), "whole periods"},
		"too slowly sampled": {choppedTrace(2000, 8, 0.5, 50, 0, 0), "samples"},
		"hardly a record":    {choppedTrace(8, 4, 0.5, 50, 0, 0), "8 samples"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			c := FitChopped(tt.trace, ChoppedOptions{})
			require.False(t, c.Mean.Known())
			require.Contains(t, c.Mean.Undecided, tt.why)
		})
	}
	still := FitChopped(choppedTrace(2000, 100, 1, 50, 0, 0), ChoppedOptions{Absolute: 0.1})
	require.True(t, still.Still)
	require.InDelta(t, 50, still.Mean.Value, still.Mean.U)
}

// A six-step voltage between two phases, +1 +1 0 -1 -1 0 in sixths of a turn: its first bin has the amplitude 2/sqrt(3), as the sum
// of the series tells (1 + e^-jπ/3 = sqrt(3)·e^-jπ/6, twice over three).
func TestSixPlateausHaveTheFundamentalOfTheirSeries(t *testing.T) {
	p := Stairs([6]float64{1, 1, 0, -1, -1, 0})
	require.InDelta(t, 2/math.Sqrt(3), cmplx.Abs(p), 1e-12)
	require.InDelta(t, -math.Pi/6, cmplx.Phase(p), 1e-12)
	require.InDelta(t, 0, cmplx.Abs(Stairs([6]float64{7, 7, 7, 7, 7, 7})), 1e-12, "a mean turns nothing")
}

func TestThreePhasesTellDirectionAndUnbalance(t *testing.T) {
	stair := func(from int, size float64) (out [6]float64) {
		for k, v := range []float64{1, 1, 0.5, 0, 0, 0.5} {
			out[(k+from)%6] = size * v
		}
		return out
	}
	forward := SixStep(stair(0, 18), stair(2, 18), stair(4, 18), 0.2)
	require.True(t, forward.Forward)
	require.InDelta(t, 0, forward.Unbalance.Value, 1e-12)
	reverse := SixStep(stair(0, 18), stair(4, 18), stair(2, 18), 0.2)
	require.False(t, reverse.Forward)
	// With phasors 1, 1 and 1-d the negative sequence is d/3 and the positive 1-d/3 (C. L. Fortescue's definition).
	weak := SixStep(stair(0, 18), stair(2, 18), stair(4, 18*0.7), 0.2)
	require.InDelta(t, 0.1/0.9, weak.Unbalance.Value, 1e-9)
	require.False(t, SixStep(stair(0, 0.1), stair(2, 0.1), stair(4, 0.1), 0.2).Unbalance.Known(), "noise has no direction")
}

// A phase at rest with a converter's noise on it is still, however far the noise reaches in a long record; a narrow pulse is none.
func TestNoiseOnAStillPhaseIsNoChopping(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 11))
	noisy := func(shape func(i int) float64) Trace {
		codes := make([]byte, 2400)
		for i := range codes {
			codes[i] = byte(math.Round((shape(i)+10)/80*255 + random.NormFloat64()))
		}
		trace := FromUint8(codes, 80./255, -10)
		trace.Step = 1e-6
		return trace
	}
	for range 200 {
		c := FitChopped(noisy(func(int) float64 { return 0.1 }), ChoppedOptions{})
		require.True(t, c.Still, "%+v", c.Mean)
		require.InDelta(t, 0.1, c.Mean.Value, c.Mean.U)
		c = FitChopped(noisy(func(i int) float64 {
			if i%200 < 5 {
				return 30
			}
			return 0
		}), ChoppedOptions{})
		require.False(t, c.Still, "2.5 %% of a period is chopping")
		require.InEpsilon(t, 5000, c.Rate.Value, 0.01)
	}
}
