package waveform

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// measures are all measures of an analysis by name.
func (p Pulses) measures() map[string]Measure {
	return map[string]Measure{"level": p.Level, "low": p.Low, "high": p.High, "amplitude": p.Amplitude, "rise": p.Rise,
		"fall": p.Fall, "pulse width": p.PulseWidth, "period": p.Period, "frequency": p.Frequency, "duty": p.Duty,
		"overshoot": p.Overshoot, "undershoot": p.Undershoot, "jitter": p.Jitter}
}

// FuzzAnalyse: whatever the codes, nothing panics, a known value is a finite number with an uncertainty, an undecided one
// has its reason and what would change it, and nothing is claimed that the record cannot tell.
func FuzzAnalyse(f *testing.F) {
	f.Add([]byte{0, 0, 0, 0, 255, 255, 255, 255, 0, 0, 0, 0, 255, 255, 255, 255, 0, 0, 0, 0})
	f.Add([]byte{7, 8, 7, 8, 7, 8, 7, 8, 7, 8, 7, 8})
	f.Add([]byte{9, 9, 9, 9, 9, 9, 9, 9, 9})
	f.Add([]byte{20, 20, 20, 80, 140, 200, 200, 200, 200, 140, 80, 20, 20, 20, 20, 80, 140, 200, 200, 200, 140, 80, 20, 20})
	f.Fuzz(func(t *testing.T, codes []byte) {
		wide := make([]int16, len(codes))
		values := make([]float64, len(codes))
		for i, c := range codes {
			wide[i], values[i] = int16(c), float64(c)
		}
		for _, trace := range []Trace{FromUint8(codes, 1, 0), FromInt16(wide, 1, 0).WithClip(0, 255), FromFloat64(values)} {
			trace.Step = 1
			p := Analyse(trace, Options{})
			for name, m := range p.measures() {
				if m.Known() && (p.Kind == Pulsing || name == "level" && p.Kind == Constant) && (m.Value != 0 || m.U != 0) {
					require.False(t, math.IsNaN(m.Value+m.U) || math.IsInf(m.Value+m.U, 0), "%s is %v ± %v", name, m.Value, m.U)
					require.GreaterOrEqual(t, m.U, 0.0, name)
				}
				if !m.Known() {
					require.NotEmpty(t, m.Change, "%s: %s", name, m.Undecided)
				}
			}
			l := Leg(trace, trace, LegOptions{ThresholdHigh: 100, ThresholdLow: 90})
			require.False(t, l.Overlaps > 0 && !l.WorstOverlap.Known(), "an overlap that was seen is told")
			if p.Kind == Unclear {
				require.NotEmpty(t, p.Reason)
				require.NotEmpty(t, p.Change)
			}
			if p.Kind != Pulsing {
				require.False(t, p.Period.Known() && p.Period.Value > 0, "no period without pulses")
				continue
			}
			require.False(t, p.Rise.Known() && p.Rise.Value < 5, "5 samples an edge: %v", p.Rise)
			require.False(t, p.Period.Known() && p.Period.Value < 5, "5 samples a period: %v", p.Period)
			require.False(t, p.Clipped > 0 && p.Overshoot.Known(), "a peak that may be cut off")
		}
	})
}

func TestCrossingsByIntegersAgreeWithThoseByFloats(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for range 3000 {
		codes := make([]byte, random.IntN(400))
		values := make(floats, len(codes))
		v := random.IntN(256)
		for i := range codes {
			v = min(255, max(0, v+random.IntN(61)-30))
			codes[i], values[i] = byte(v), float64(v)
		}
		level, hysteresis, band := random.Float64()*300-20, random.Float64()*60, random.Float64()*20
		if random.IntN(3) == 0 {
			level = math.Round(level)
		}
		a, b := newScan(octets(codes), level, hysteresis, band), newScan(values, level, hysteresis, band)
		for {
			x, more := a.next()
			y, same := b.next()
			require.Equal(t, same, more)
			require.InDelta(t, y.at, x.at, 1e-9)
			x.at = y.at
			require.InDelta(t, y.perCode, x.perCode, 1e-9)
			x.perCode = y.perCode
			require.Equal(t, y, x)
			if !more {
				break
			}
		}
	}
}

func TestALongRecordOfWordsLosesNoExtremeAndNoLevel(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	for _, half := range []int{7, 256, 512, 1024} { // halves of a period, some in step with the stretches
		w := make(words, 300_000)
		for i := range w {
			w[i] = int16(1000*(i/half%2)) + int16(random.IntN(9)-4)
		}
		w[random.IntN(len(w))], w[len(w)-1] = -30_000, 31_000
		h := w.histogram()
		require.Equal(t, -30_000.0, h.low)
		require.Equal(t, 31_000.0, h.high)
		require.Less(t, h.n, len(w)/8)
		total := 0
		for _, n := range h.count {
			total += n
		}
		require.Equal(t, h.n, total)

		w[len(w)-1] = 0
		for i, v := range w {
			if v < -4 {
				w[i] = 0
			}
		}
		h = w.histogram()
		low, high := h.levels(2.5, 1)
		require.InDelta(t, 0, low.level, 0.2)
		require.InDelta(t, 1000, high.level, 0.2)
	}
}
