package gates

import (
	"flag"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

var units = flag.Int("units", 1000, "simulated units of the tests at analysis level")

// analysed is a figure that a unit may have, with its limits and the whole way from signal to measure: an instrument drawn anew
// within its limits of error, steps, noise, analysis.
type analysed struct {
	name      string
	low, high float64
	measure   func(r *rand.Rand, truth float64) waveform.Measure
}

// instrumentError draws an error evenly within limits of ±half.
func instrumentError(r *rand.Rand, half float64) float64 { return half * (2*r.Float64() - 1) }

func gateTrace(r *rand.Rand, on, rise, gain, offset float64) waveform.Trace {
	const n, step, low, scale = 2000, 20e-9, 0.0, 25.0 / 250
	period, width := 10e-6, 4e-6
	gainError, offsetError, phase := instrumentError(r, gain), instrumentError(r, offset), r.Float64()*period
	codes := make([]byte, n)
	for i := range codes {
		at := math.Mod(float64(i)*step+phase, period)
		v := low
		full := rise / 0.8
		switch {
		case at < full:
			v = low + (on-low)*at/full
		case at < width:
			v = on
		case at < width+full:
			v = on - (on-low)*(at-width)/full
		}
		v = v*(1+gainError) + offsetError + 0.03*r.NormFloat64()
		codes[i] = byte(max(1, min(254, math.Round(v/scale)+50)))
	}
	t := waveform.FromUint8(codes, scale, -50*scale)
	t.Step = step
	return t
}

var figures = []analysed{
	{"gate level on", 13.5, 16.5, func(r *rand.Rand, truth float64) waveform.Measure {
		const gain, offset = 0.005, 0.05
		return waveform.Analyse(gateTrace(r, truth, 400e-9, gain, offset), waveform.Options{Gain: gain, Offset: offset}).High
	}},
	{"rise time", 200e-9, 600e-9, func(r *rand.Rand, truth float64) waveform.Measure {
		const gain, offset = 0.005, 0.05
		return waveform.Analyse(gateTrace(r, 15, truth, gain, offset), waveform.Options{Gain: gain, Offset: offset}).Rise
	}},
	{"capacitance", 376e-6, 564e-6, func(r *rand.Rand, truth float64) waveform.Measure {
		const amperes, voltsU, amperesU, own = 0.1, 0.02, 0.001, 100e-6
		var points []waveform.RampPoint
		v0, i0, c0 := instrumentError(r, voltsU), instrumentError(r, amperesU), own*(1+instrumentError(r, 0.05))
		for k := range 30 {
			at := 0.01 * float64(k)
			points = append(points, waveform.RampPoint{T: quantity.Seconds(at), V: quantity.Volts(amperes/(truth+c0)*at + v0 + 0.005*r.NormFloat64()),
				I: quantity.Amperes(amperes + i0)})
		}
		return waveform.FitRamp(points, waveform.RampOptions{SupplyCapacitance: own, SupplyError: own * 0.05, Limit: amperes, Target: 90,
			VoltageError: voltsU, CurrentError: amperesU}).Capacitance
	}},
	{"quiescent current", 0.020, 0.028, func(r *rand.Rand, truth float64) waveform.Measure {
		const amperesU = 0.0003
		var points []waveform.RampPoint
		e := instrumentError(r, amperesU)
		for k := range 6 {
			points = append(points, waveform.RampPoint{T: quantity.Seconds(0.1 * float64(k)), V: 90, I: quantity.Amperes(truth + e + 1e-4*r.NormFloat64())})
		}
		return waveform.Quiescent(points, amperesU)
	}},
}

// falseReject is the most that the default rule may fail of what is good: it fails what lies outside by more than U, and of
// readings of a value on the limit that is one tail of 95 %, 2.5 %. Inside the limit it is less.
const falseReject = 0.025

func TestGoodUnitsAreFailedNoMoreOftenThanTheRulePredicts(t *testing.T) {
	for _, f := range figures {
		t.Run(f.name, func(t *testing.T) {
			t.Parallel()
			r := rand.New(rand.NewPCG(11, 12))
			count := map[verdict.Rule]map[verdict.Outcome]int{verdict.Default: {}, verdict.Guarded: {}, verdict.FalseAcceptance(0.05): {}}
			atLimit := map[verdict.Outcome]int{}
			for range *units {
				truth := f.low + (f.high-f.low)*r.Float64()
				m := f.measure(r, truth)
				require.True(t, m.Known(), m.Undecided)
				for rule, n := range count {
					n[verdict.Decide(m.Value, m.U, &f.low, &f.high, rule)]++
				}
				m = f.measure(r, f.high)
				atLimit[verdict.Decide(m.Value, m.U, &f.low, &f.high, verdict.Default)]++
			}
			for rule, n := range count {
				t.Logf("good units, rule %q: %v", rule.String(), n)
				require.LessOrEqual(t, float64(n[verdict.Fail]), falseReject*float64(*units), "rule %q", rule)
			}
			t.Logf("units on the limit: %v", atLimit)
			slack := 3 * math.Sqrt(falseReject/float64(*units)) // three standard deviations of the count
			require.LessOrEqual(t, float64(atLimit[verdict.Fail])/float64(*units), falseReject+slack)
		})
	}
}

// A unit 20 % of its tolerance beyond a limit is failed, one 20 % inside passes; between, undecided comes only where the reading
// lies outside by no more than its uncertainty. Wrong passes happen only within the uncertainty of the limit.
func TestWhatIsBeyondFailsWhatIsInsidePasses(t *testing.T) {
	for _, f := range figures {
		t.Run(f.name, func(t *testing.T) {
			t.Parallel()
			r := rand.New(rand.NewPCG(13, 14))
			half, middle := (f.high-f.low)/2, (f.high+f.low)/2
			seen := map[verdict.Outcome]int{}
			for k := range *units {
				side := float64(2*(k%2) - 1)
				beyond := f.measure(r, middle+side*1.2*half)
				inside := f.measure(r, middle+side*0.8*half)
				require.Less(t, beyond.U, 0.11*half, "20 % beyond can be told by about twice the uncertainty")
				// Where the reading is off by more than its U, once in twenty or less, the outcome may be undecided, never the contrary.
				require.NotEqual(t, verdict.Pass, verdict.Decide(beyond.Value, beyond.U, &f.low, &f.high, verdict.Default))
				require.Equal(t, verdict.Pass, verdict.Decide(inside.Value, inside.U, &f.low, &f.high, verdict.Default))
				seen[verdict.Decide(beyond.Value, beyond.U, &f.low, &f.high, verdict.Default)]++

				truth := middle + side*half*(1+0.2*r.Float64())
				m := f.measure(r, truth)
				outcome := verdict.Decide(m.Value, m.U, &f.low, &f.high, verdict.Default)
				outside := max(f.low-m.Value, m.Value-f.high)
				require.Equal(t, outside > 0 && outside <= m.U, outcome == verdict.Undecided, "undecided where the budget says")
			}
			t.Logf("20 %% beyond: %v", seen)
			require.GreaterOrEqual(t, float64(seen[verdict.Fail])/float64(*units), 0.95)
		})
	}
}
