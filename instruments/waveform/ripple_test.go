package waveform

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// ripplePlus is a steady voltage with a ripple of a shape that runs over one period of 0 to 1, noise, and steps of an 8 bit scope.
func ripplePlus(n int, step, hertz, phase float64, shape func(float64) float64, noise float64, r *rand.Rand) Trace {
	codes := make([]byte, n)
	const scale = 0.02
	for i := range codes {
		_, place := math.Modf(hertz*step*float64(i) + phase)
		v := shape(place) + noise*r.NormFloat64()
		codes[i] = byte(max(0, min(255, math.Round(v/scale)+128)))
	}
	t := FromUint8(codes, scale, 90-128*scale)
	t.Step = quantity.Seconds(step)
	return t
}

// Ripple of three shapes, through scopes whose gain and time base are off by anything within what is stated of them. Where
// noise evens the steps of the trace out but in part, what they leave at a jump is bounded.
func TestStatedUncertaintyOfRippleHoldsTheTruth(t *testing.T) {
	for name, s := range map[string]struct {
		shape   func(float64) float64
		pp, rms float64
	}{
		"sine":     {func(p float64) float64 { return math.Sin(2 * math.Pi * p) }, 2, 1 / math.Sqrt2},
		"triangle": {func(p float64) float64 { return 4*math.Abs(p-0.5) - 1 }, 2, 1 / math.Sqrt(3)},
		"sawtooth": {func(p float64) float64 { return 2*p - 1 }, 2, 1 / math.Sqrt(3)},
		"square":   {func(p float64) float64 { return math.Copysign(1, 0.5-p) }, 2, 1},
	} {
		for level, noise := range map[string][2]float64{"low noise": {0, 0.02}, "high noise": {0.02, 0.1}} {
			for seed := range *coverageSeeds {
				t.Run(fmt.Sprintf("%s/%s/seed %d", name, level, seed), func(t *testing.T) {
					t.Parallel()
					r := rand.New(rand.NewPCG(3, uint64(seed)))
					scores := holdings{}
					for range *coverageCases / 3 {
						hertz, sigma := 100+200*r.Float64(), noise[0]+(noise[1]-noise[0])*r.Float64()
						o := Options{Gain: quantity.Ratio(0.005 + 0.02*r.Float64()), Timebase: quantity.Ratio(50e-6 * r.Float64())}
						gain, clock := 1+float64(o.Gain)*(2*r.Float64()-1), 1+float64(o.Timebase)*(2*r.Float64()-1)
						seen := func(p float64) float64 { return gain * s.shape(p) }
						found := FindRipple(ripplePlus(20_000, 5e-6+1e-6*r.Float64(), hertz/clock, r.Float64(), seen, sigma, r), o)
						scores.count("peak to peak", s.pp, found.PeakToPeak)
						scores.count("RMS", s.rms, found.RMS)
						scores.count("frequency", hertz, found.Frequency)
					}
					bounds := map[string]float64{"frequency": 1}
					if level == "low noise" && (name == "sawtooth" || name == "square") {
						bounds["peak to peak"] = 1
					}
					scores.judge(t, bounds, *coverageCases/4)
				})
			}
		}
	}
}

// A capacitor's ripple at a constant load: 1 A on 1000 uF at 300 Hz is I/(f·C) = 3.333 V peak to peak, computed.
func TestRippleOfASixPulseBus(t *testing.T) {
	trace := ripplePlus(60_000, 2e-6, 300, 0.2, func(p float64) float64 { return 3.3333 / 2 * (2*p - 1) }, 0, rand.New(rand.NewPCG(1, 1)))
	r := FindRipple(trace, Options{Gain: 0.02})
	require.InDelta(t, 3.333, r.PeakToPeak.Value, r.PeakToPeak.U)
	require.Less(t, r.PeakToPeak.U, 0.1)
	require.InDelta(t, 300, r.Frequency.Value, r.Frequency.U)
	require.Less(t, r.Frequency.U, 1.0)
}

// An ideal rectifier without a capacitor, computed from its sines: of one phase the ripple has a root mean square of 0.483426 and an
// average of 0.900316 times the input's; of six pulses 0.041966 of the average 1.350474 times the input from line to line, 13.397 %
// of the peak from peak to peak. It comes at twice and at six times the mains frequency.
func TestRippleOfRectifiers(t *testing.T) {
	for name, c := range map[string]struct {
		pulses, hertz   float64
		average, factor float64 // of an input of 1 V RMS; of the average
		swing           float64 // of the peak
	}{
		"single phase": {2, 100, 0.900316, 0.483426, 1},
		"six pulses":   {6, 300, 1.350474, 0.041966, 0.13397},
	} {
		const rms = 0.8 // V
		peak := rms * math.Sqrt2
		average := c.average * rms
		shape := func(place float64) float64 { return peak*math.Cos(2*math.Pi*(place-0.5)/c.pulses) - average }
		r := FindRipple(ripplePlus(40_000, 2.5e-6, c.hertz, 0.3, shape, 0.01, rand.New(rand.NewPCG(1, 7))), Options{})
		for what, pair := range map[string]struct {
			want float64
			got  Measure
		}{
			"root mean square": {c.factor * average, r.RMS}, "peak to peak": {c.swing * peak, r.PeakToPeak}, "frequency": {c.hertz, r.Frequency},
		} {
			require.True(t, pair.got.Known(), "%s, %s: %s", name, what, pair.got.Undecided)
			require.InDelta(t, pair.want, pair.got.Value, 1.3*pair.got.U, "%s, %s", name, what)
			require.Less(t, pair.got.U, 0.2*pair.want, "%s, %s", name, what)
		}
	}
}

func TestRippleSaysWhyItCannotBeTold(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	flat := func(float64) float64 { return 0 }
	sine := func(p float64) float64 { return math.Sin(2 * math.Pi * p) }
	quiet := FindRipple(ripplePlus(10_000, 1e-5, 100, 0, flat, 0.03, random), Options{})
	require.Contains(t, quiet.PeakToPeak.Undecided, "no ripple stands out")
	require.Greater(t, quiet.PeakToPeak.AtMost, 0.1)
	require.Less(t, quiet.PeakToPeak.AtMost, 0.4)
	require.Contains(t, quiet.Frequency.Undecided, "no component stands out")
	require.False(t, quiet.RMS.Known())
	require.Less(t, quiet.RMS.AtMost, 0.06)

	few := FindRipple(ripplePlus(10_000, 1e-6, 200, 0, sine, 0, random), Options{})
	require.Contains(t, few.Frequency.Undecided, "too few")
	require.NotEmpty(t, few.Frequency.Change)

	loud := FindRipple(ripplePlus(10_000, 1e-5, 100, 0, func(p float64) float64 { return 5 * sine(p) }, 0, random), Options{})
	require.Contains(t, loud.PeakToPeak.Undecided, "clipped")
	require.Greater(t, loud.PeakToPeak.AtLeast, 2.0)

	require.Contains(t, FindRipple(FromUint8(make([]byte, 10), 1, 0), Options{}).RMS.Undecided, "too few")
	odd := FromFloat64(append(make([]float64, 100), math.NaN()))
	odd.Step = 1
	require.False(t, FindRipple(odd, Options{}).PeakToPeak.Known())
}

// What does not repeat is not averaged away: the highest and the lowest of the record lie within what is told.
func TestARippleThatDoesNotRepeatKeepsItsExtremes(t *testing.T) {
	for name, size := range map[string]func(period float64) float64{
		"one period is larger":   func(p float64) float64 { return map[bool]float64{true: 1.5, false: 1}[math.Floor(p) == 7] },
		"every second is larger": func(p float64) float64 { return 1 + 0.3*math.Mod(math.Floor(p), 2) },
		"it grows":               func(p float64) float64 { return 0.7 + 0.04*p },
	} {
		for _, noise := range []float64{0, 0.02, 0.05} {
			random := rand.New(rand.NewPCG(5, 6))
			codes := make([]byte, 20_000)
			const scale, hertz, step = 0.02, 180, 5e-6
			most := 0.0
			for i := range codes {
				p := hertz * step * float64(i)
				v := size(p) * math.Sin(2*math.Pi*p)
				most = max(most, v)
				codes[i] = byte(math.Round((v+noise*random.NormFloat64())/scale) + 128)
			}
			trace := FromUint8(codes, scale, 0)
			trace.Step = step
			m := FindRipple(trace, Options{}).PeakToPeak
			require.True(t, m.Known(), name)
			require.InDelta(t, 2*most, m.Value, m.U+0.02*most, "%s, noise %v", name, noise)
			require.GreaterOrEqual(t, m.Value+m.U, 2*most-scale, "%s, noise %v", name, noise)
		}
	}
}
