package waveform

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// holds checks that the truth lies within U of the value.
func holds(t *testing.T, truth float64, m Measure, what string) {
	t.Helper()
	require.True(t, m.Known(), "%s is undecided: %s", what, m.Undecided)
	require.LessOrEqual(t, math.Abs(m.Value-truth), m.U, "%s: %v ± %v does not hold %v", what, m.Value, m.U, truth)
}

func TestReferenceLevelsOfThePublishedExample(t *testing.T) {
	// Source: documentation of the rise-time function of a signal-processing toolbox that follows IEEE Std 181: state levels
	// 0.0138 and 5.1848 give 0.5309 at 10 % and 4.6677 at 90 %.
	require.InDelta(t, 0.5309, ReferenceLevel(0.0138, 5.1848, 10), 5e-5)
	require.InDelta(t, 4.6677, ReferenceLevel(0.0138, 5.1848, 90), 5e-5)
	require.InDelta(t, 2.5993, ReferenceLevel(0.0138, 5.1848, 50), 5e-5) // computed from the same levels

	// A record with these two states gives the same levels through the histogram.
	f := train(0.0138, 5.1848, ramp(1e-6), ramp(1e-6), 3e-6, 20e-6, 10e-6)
	p := Analyse(scope{step: 1e-8, points: 8000}.take(f), Options{})
	require.InDelta(t, 0.0138, p.Low.Value, 5e-5)
	require.InDelta(t, 5.1848, p.High.Value, 5e-5)
	require.InDelta(t, 5.1710, p.Amplitude.Value, 5e-5)
}

func TestTransitionDurationsOfAnalyticEdges(t *testing.T) {
	// Source: closed forms. Linear ramp 0.8·T; raised cosine 0.590334·T; one pole ln 9·RC = 2.197225·RC; second order
	// 1.637573/ω at ζ = 0.5 and 2.148038/ω at ζ = 0.707107, two equal poles 3.357909·RC (numeric solution of the step response);
	// Gaussian, the error function, 2.563103·σ.
	tests := []struct {
		name string
		edge shape
		want float64
	}{
		{"linear ramp", ramp(1e-6), 0.8e-6},
		{"raised cosine", raisedCosine(1e-6), 0.590334e-6},
		{"one pole", onePole(200e-9), 2.197225 * 200e-9},
		{"two equal poles", twoPoles(100e-9), 3.357909 * 100e-9},
		{"Gaussian", gaussian(150e-9), 2.563103 * 150e-9},
		{"second order, damping 0.5", secondOrder(5e6, 0.5), 1.637573 / 5e6},
		{"second order, damping 0.707", secondOrder(5e6, 0.707107), 2.148038 / 5e6},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			require.InEpsilon(t, test.want, test.edge.duration(), 2e-6, "the closed form itself")
			f := train(-8, 15, test.edge, test.edge, 5e-6, 40e-6, 20e-6)
			fine := Analyse(scope{step: 2e-9, points: 100_000}.take(f), Options{})
			require.InEpsilon(t, test.want, fine.Rise.Value, 0.003)
			require.InEpsilon(t, test.want, fine.Fall.Value, 0.003)
			for _, bits := range []int{8, 16} {
				p := Analyse(scope{step: 8e-9, points: 25_000, bits: bits, low: -20, high: 28, noise: 0.05, seed: 3}.take(f), Options{})
				require.Equal(t, Pulsing, p.Kind)
				// Of so many cases some lie outside of 95 %: TestStatedUncertaintyHoldsTheTruth counts them.
				require.InDelta(t, test.want, p.Rise.Value, 1.3*p.Rise.U, "rise")
				require.InDelta(t, test.want, p.Fall.Value, 1.3*p.Fall.U, "fall")
				holds(t, 20e-6, p.PulseWidth, "width")
				holds(t, 40e-6, p.Period, "period")
				holds(t, 25e3, p.Frequency, "frequency")
				holds(t, 0.5, p.Duty, "duty")
				require.Less(t, p.Rise.U, 0.08*test.want, "U is of use")
			}
		})
	}
}

func TestLinearInterpolationIsExactOnARampOfFewSamples(t *testing.T) {
	// Source: linear interpolation has no error on a straight edge (analytic). What edges of other shapes come out too long by
	// on average is taken off, since the shape is not known.
	f := train(0, 10, ramp(12.3e-6), ramp(14.1e-6), 5.3e-6, 100e-6, 42e-6)
	p := Analyse(scope{step: 1e-6, points: 400}.take(f), Options{})
	rise, fall := 0.8*12.3, 0.8*14.1 // samples
	tooLong := func(n float64) float64 { return latenessAt(0.9, n).middle() - latenessAt(0.1, n).middle() }
	require.InEpsilon(t, 1e-6*(rise-tooLong(rise)), p.Rise.Value, 1e-9)
	require.InEpsilon(t, 1e-6*(fall-tooLong(fall)), p.Fall.Value, 1e-9)
	require.InEpsilon(t, 42e-6+14.1e-6/2-12.3e-6/2+1e-6*(midwayBias(rise)-midwayBias(fall)), p.PulseWidth.Value, 1e-9)
}

func TestOvershootOfASecondOrderStep(t *testing.T) {
	// Source: 100·exp(-πζ/sqrt(1-ζ²)) %, analytic.
	tests := []struct{ zeta, percent float64 }{
		{0.2, 52.6621}, {0.3, 37.2326}, {0.4, 25.3827}, {0.5, 16.3034}, {0.6, 9.4780}, {0.707107, 4.3214},
	}
	for _, test := range tests {
		edge := secondOrder(20e6, test.zeta)
		f := train(0, 12, edge, edge, 2e-6, 20e-6, 10e-6)
		p := Analyse(scope{step: 2e-9, points: 50_000}.take(f), Options{})
		require.InDelta(t, test.percent, 100*p.Overshoot.Value, 0.15, "damping %v", test.zeta)
		holds(t, test.percent/100, p.Overshoot, "overshoot")
		holds(t, math.Pow(test.percent/100, 2), p.Undershoot, "undershoot: the second swing is the square of the first")
		p = Analyse(scope{step: 4e-9, points: 25_000, bits: 8, low: -10, high: 22, noise: 0.04, seed: 7}.take(f), Options{})
		holds(t, test.percent/100, p.Overshoot, "overshoot, 8 bits")
	}
}

func TestRingingThatCrossesTheMiddleAgainIsNoSecondPulse(t *testing.T) {
	edge := secondOrder(20e6, 0.1) // first trough at 1 - 0.729² = 0.47 of the amplitude: below the middle
	f := train(0, 12, edge, edge, 2e-6, 20e-6, 10e-6)
	p := Analyse(scope{step: 2e-9, points: 50_000}.take(f), Options{})
	require.Equal(t, Pulsing, p.Kind)
	require.Equal(t, 5, p.Rises)
	require.Equal(t, 5, p.Count)
	holds(t, 20e-6, p.Period, "period")
	holds(t, 10e-6, p.PulseWidth, "width")
}

func TestPulseParametersOfATrapezoid(t *testing.T) {
	f := train(-8, 15, ramp(120e-9), ramp(80e-9), 7e-6, 125e-6, 40e-6) // 8 kHz
	p := Analyse(scope{step: 4e-9, points: 250_000, bits: 8, low: -15, high: 25, noise: 0.06, seed: 5}.take(f), Options{})
	require.Equal(t, Pulsing, p.Kind)
	require.Equal(t, 8, p.Rises)
	require.Equal(t, 8, p.Count)
	holds(t, -8, p.Low, "low")
	holds(t, 15, p.High, "high")
	holds(t, 23, p.Amplitude, "amplitude")
	holds(t, 96e-9, p.Rise, "rise")
	holds(t, 64e-9, p.Fall, "fall")
	holds(t, 39.98e-6, p.PulseWidth, "width")
	holds(t, 8e3, p.Frequency, "frequency")
	holds(t, 39.98/125, p.Duty, "duty")
	require.Contains(t, p.Overshoot.Undecided, "no peak stands out")
	require.Less(t, p.Overshoot.AtMost, 0.01)
	require.Positive(t, p.Overshoot.AtMost)
	require.LessOrEqual(t, p.Jitter.Value, p.Jitter.U, "a steady train has no jitter beyond U")
	require.InDelta(t, 16, p.EdgeSamples, 3)
}

func TestJitterIsTheDeviationOfThePeriod(t *testing.T) {
	// Rising edges alternate between 99 µs and 101 µs apart: the deviation of the periods is 1 µs.
	f := func(t float64) float64 {
		phase := math.Mod(t, 200e-6)
		if phase < 40e-6 || (phase >= 99e-6 && phase < 139e-6) {
			return 10
		}
		return 0
	}
	p := Analyse(scope{start: -10e-6, step: 20e-9, points: 500_000}.take(f), Options{})
	require.InEpsilon(t, 1e-6, p.Jitter.Value, 0.06)
	holds(t, 1e-6, p.Jitter, "jitter")
}

func TestRecordsThatStandStill(t *testing.T) {
	tests := []struct {
		name  string
		trace Trace
		level float64
	}{
		{"one code", scope{step: 1e-6, points: 1000, bits: 8, low: -10, high: 30}.take(func(float64) float64 { return 0.03 }), 0.03},
		{"two codes that toggle", FromUint8(toggling(1000, 128, 129), 0.1, -12.8), 0.05},
		{"noise", scope{step: 1e-6, points: 20_000, bits: 8, low: -10, high: 30, noise: 0.3, seed: 1}.take(func(float64) float64 { return -8 }), -8},
		{"noise, 16 bits", scope{step: 1e-6, points: 20_000, bits: 16, low: -10, high: 30, noise: 0.02, seed: 2}.take(func(float64) float64 { return 15 }), 15},
		{"exactly constant floats", scope{step: 1e-6, points: 100}.take(func(float64) float64 { return 3.3 }), 3.3},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			test.trace.Step = 1e-6
			p := Analyse(test.trace, Options{})
			require.Equal(t, Constant, p.Kind)
			require.InDelta(t, test.level, p.Level.Value, p.Level.U+1e-12)
			require.False(t, p.Rise.Known())
			require.Contains(t, p.Period.Undecided, "no edge")
			require.Zero(t, p.Count)
		})
	}
}

func toggling(n int, a, b byte) []byte {
	codes := make([]byte, n)
	for i := range codes {
		codes[i] = a
		if i%3 == 0 || i%7 == 0 {
			codes[i] = b
		}
	}
	return codes
}

func TestConstantIsAboveOrBelowAThreshold(t *testing.T) {
	p := Analyse(scope{step: 1e-6, points: 1000, bits: 8, low: -10, high: 30}.take(func(float64) float64 { return 12 }), Options{})
	high, decided := p.IsHigh(4)
	require.True(t, high)
	require.True(t, decided)
	high, decided = p.IsHigh(20)
	require.False(t, high)
	require.True(t, decided)
	_, decided = p.IsHigh(quantity.Volts(p.Level.Value))
	require.False(t, decided, "a level on the threshold is not decided")
}

func TestWhatCannotBeToldIsUndecidedWithReasonAndChange(t *testing.T) {
	fast := train(0, 12, ramp(50e-9), ramp(50e-9), 10e-6, 50e-6, 20e-6)
	edge := secondOrder(20e6, 0.3)
	ringing := train(0, 12, edge, edge, 2e-6, 20e-6, 10e-6)
	tests := []struct {
		name    string
		trace   Trace
		options Options
		kind    Kind
		measure func(Pulses) Measure
		reason  string
		change  string
	}{
		{"high level clipped", scope{step: 1e-8, points: 20_000, bits: 8, low: -2, high: 10}.take(fast), Options{}, Pulsing,
			func(p Pulses) Measure { return p.High }, "clipped", "larger full scale"},
		{"amplitude of a clipped record", scope{step: 1e-8, points: 20_000, bits: 8, low: -2, high: 10}.take(fast), Options{}, Pulsing,
			func(p Pulses) Measure { return p.Amplitude }, "clipped", "larger full scale"},
		{"rise of a clipped record", scope{step: 1e-8, points: 20_000, bits: 8, low: -2, high: 10}.take(fast), Options{}, Pulsing,
			func(p Pulses) Measure { return p.Rise }, "clipped", "larger full scale"},
		{"low level clipped", scope{step: 1e-8, points: 20_000, bits: 8, low: 1, high: 15}.take(fast), Options{}, Pulsing,
			func(p Pulses) Measure { return p.Low }, "clipped", "larger full scale"},
		{"overshoot clipped", scope{step: 4e-9, points: 20_000, bits: 8, low: -7, high: 14}.take(ringing), Options{}, Pulsing,
			func(p Pulses) Measure { return p.Overshoot }, "cut the peaks off", "larger full scale"},
		{"edge between two samples", scope{step: 1e-6, points: 1000}.take(fast), Options{}, Pulsing,
			func(p Pulses) Measure { return p.Rise }, "samples on the rising edge", "sample faster"},
		{"jitter over few periods", scope{step: 1e-8, points: 20_000}.take(fast), Options{}, Pulsing,
			func(p Pulses) Measure { return p.Jitter }, "jitter needs at least 5", "longer record"},
		{"one edge", scope{step: 1e-8, points: 2000}.take(fast), Options{}, Unclear,
			func(p Pulses) Measure { return p.Period }, "not one whole period", "longer record"},
		{"sine as fast as the samples", scope{step: 1e-6, points: 1000}.take(func(t float64) float64 { return 6 + 6*math.Sin(2*math.Pi*0.41e6*t) }), Options{}, Unclear,
			func(p Pulses) Measure { return p.Frequency }, "alias", "sample faster"},
		{"sine of 4 samples", scope{step: 1e-6, points: 1000, bits: 8, low: -2, high: 14, noise: 0.1}.take(func(t float64) float64 { return 6 + 6*math.Sin(2*math.Pi*0.24e6*t) }), Options{}, Unclear,
			func(p Pulses) Measure { return p.Level }, "alias", "sample faster"},
		{"pulses as fast as the samples", scope{step: 1e-6, points: 1000}.take(train(0, 12, ramp(1e-9), ramp(1e-9), 0, 4.2e-6, 2e-6)), Options{}, Pulsing,
			func(p Pulses) Measure { return p.Frequency }, "alias", "sample faster"},
		{"range too coarse", scope{step: 1e-8, points: 20_000, bits: 8, low: -200, high: 200}.take(fast), Options{}, Pulsing,
			func(p Pulses) Measure { return p.High }, "too coarse", "smaller full scale"},
		{"probe factor ten times too small", scope{step: 1e-8, points: 20_000}.take(func(t float64) float64 { return fast(t) / 10 }), Options{Expected: 12}, Pulsing,
			func(p Pulses) Measure { return p.Amplitude }, "probe factor", "factor at the probe"},
		{"probe factor ten times too large", scope{step: 1e-8, points: 20_000}.take(func(t float64) float64 { return fast(t) * 10 }), Options{Expected: 12}, Pulsing,
			func(p Pulses) Measure { return p.High }, "probe factor", "factor at the probe"},
		{"no samples", Trace{}, Options{}, Unclear, func(p Pulses) Measure { return p.Level }, "too few", "longer record"},
		{"not a number", FromFloat64([]float64{1, 2, 3, math.NaN(), 1, 2, 3, 4, 5}), Options{}, Unclear,
			func(p Pulses) Measure { return p.Low }, "no finite numbers", "again"},
		{"infinity", FromFloat64([]float64{1, 2, 3, math.Inf(1), 1, 2, 3, 4, 5}), Options{}, Unclear,
			func(p Pulses) Measure { return p.Low }, "no finite numbers", "again"},
		{"constant above the range", scope{step: 1e-8, points: 1000, bits: 8, low: -2, high: 10}.take(func(float64) float64 { return 15 }), Options{}, Constant,
			func(p Pulses) Measure { return p.Level }, "clipped", "larger full scale"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			if test.trace.Step == 0 {
				test.trace.Step = 1e-6
			}
			p := Analyse(test.trace, test.options)
			require.Equal(t, test.kind, p.Kind, p.Reason)
			m := test.measure(p)
			require.False(t, m.Known(), "value %v", m.Value)
			require.Contains(t, m.Undecided, test.reason)
			require.Contains(t, m.Change, test.change)
		})
	}
}

func TestUndersampledEdgeHasAnUpperBoundThatHolds(t *testing.T) {
	f := train(0, 12, ramp(50e-9), ramp(50e-9), 10.3e-6, 50e-6, 20e-6)
	for _, step := range []float64{20e-9, 100e-9, 500e-9, 2e-6} {
		p := Analyse(scope{step: step, points: 4000}.take(f), Options{})
		require.False(t, p.Rise.Known())
		require.GreaterOrEqual(t, p.Rise.AtMost, 40e-9, "step %v", step)
		require.LessOrEqual(t, p.Rise.AtMost, 40e-9+3*step, "step %v", step)
	}
}

func TestClippedPeaksLeaveTheLevelsAlone(t *testing.T) {
	edge := secondOrder(20e6, 0.3)
	f := train(0, 12, edge, edge, 2e-6, 20e-6, 10e-6)
	p := Analyse(scope{step: 4e-9, points: 20_000, bits: 8, low: -7, high: 14}.take(f), Options{})
	holds(t, 12, p.High, "high")
	require.Positive(t, p.Clipped)
	require.Less(t, p.Overshoot.AtLeast, 0.372)
	require.Greater(t, p.Overshoot.AtLeast, 0.1)
}

func TestInstrumentAccuracyEntersU(t *testing.T) {
	f := train(0, 12, ramp(500e-9), ramp(500e-9), 10e-6, 50e-6, 20e-6)
	trace := scope{step: 1e-8, points: 20_000}.take(f)
	plain := Analyse(trace, Options{})
	with := Analyse(trace, Options{Gain: 0.03, Offset: 0.1, Timebase: 0.001})
	require.InDelta(t, 1.71*math.Hypot(0.36, 0.1)/math.Sqrt(3), with.High.U, 0.01) // a trapezoid: between 1.65 and 1.90
	require.Less(t, plain.High.U, 0.01)
	require.GreaterOrEqual(t, with.Period.U, 0.95*50e-9*0.99) // a rectangle: 95 % of it
}

func TestSmallAmplitudeCountsAsConstantWhenTheCallerSaysSo(t *testing.T) {
	crosstalk := train(0, 0.6, ramp(500e-9), ramp(500e-9), 10e-6, 50e-6, 20e-6)
	trace := scope{step: 1e-8, points: 20_000, bits: 8, low: -10, high: 20, noise: 0.02, seed: 4}.take(crosstalk)
	require.Equal(t, Pulsing, Analyse(trace, Options{}).Kind)
	require.Equal(t, Constant, Analyse(trace, Options{MinAmplitude: 2}).Kind)
}

func TestNegativeScaleIsTheSameSignal(t *testing.T) {
	f := train(-8, 15, ramp(500e-9), ramp(700e-9), 10e-6, 50e-6, 20e-6)
	direct := scope{step: 1e-8, points: 20_000, bits: 8, low: -20, high: 28}.take(f)
	codes := make([]byte, direct.Len())
	for i := range codes {
		codes[i] = 255 - direct.codes.(octets)[i]
	}
	mirrored := FromUint8(codes, -48.0/255, 28)
	mirrored.Step = direct.Step
	a, b := Analyse(direct, Options{}), Analyse(mirrored, Options{})
	require.InDelta(t, a.High.Value, b.High.Value, 1e-9)
	require.InDelta(t, a.Rise.Value, b.Rise.Value, 1e-15)
	require.Equal(t, a.Count, b.Count)
}

// A triangle stands nowhere: its histogram has no two modes, and what is measured between chance ones means nothing.
func TestATriangleHasNoStates(t *testing.T) {
	dice, found := rand.New(rand.NewPCG(3, 4)), 0
	for range 50 {
		period := 300 + dice.IntN(900)
		values := make([]float64, 2000)
		for i := range values {
			x := float64(i%period) / float64(period)
			values[i] = 5*math.Abs(2*x-1) + 0.02*dice.NormFloat64()
			values[i] = 0.04 * math.Round(values[i]/0.04)
		}
		tr := FromFloat64(values).WithResolution(0.04)
		tr.Step = 1e-6
		p := Analyse(tr, Options{})
		if p.Kind == Pulsing { // where a mode lies near a tip, the two may pass for states
			swing := p.High.Value - p.Low.Value
			require.LessOrEqual(t, min(p.Low.Value-p.Min, p.Max-p.High.Value), 0.76*swing)
			continue
		}
		require.Equal(t, Unclear, p.Kind)
		found++
	}
	require.Greater(t, found, 5, "%d of 50 triangles", found)
}

// The next edge is no undershoot of the one before it.
func TestANarrowPulseHasNoUndershoot(t *testing.T) {
	for _, flat := range []int{12, 30} {
		values := make([]float64, 4000)
		for i := range values {
			switch k := i % 80; {
			case k < 8:
				values[i] = 5 * float64(k) / 8
			case k < 8+flat:
				values[i] = 5
			case k < 16+flat:
				values[i] = 5 * float64(16+flat-k) / 8
			}
		}
		tr := FromFloat64(values)
		tr.Step = 1e-8
		p := Analyse(tr, Options{})
		require.Equal(t, Pulsing, p.Kind)
		require.False(t, p.Undershoot.Known())
		require.Less(t, p.Undershoot.AtLeast, 1e-9)
		if flat > 12 {
			require.Contains(t, p.Undershoot.Undecided, "no peak stands out")
			require.Less(t, p.Undershoot.AtMost, 0.002)
			require.Positive(t, p.Undershoot.AtMost)
		}
	}
}
