package waveform

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// TestStatedUncertaintyHoldsTheTruth draws random pulse trains and random scopes, whose errors of gain, offset and time base
// lie anywhere within what is stated of them, samples and quantises, and counts how often value ± U holds the truth: for a
// stated 95 % in 93 to 97 % of cases, for each measure, at low and at high noise.
//
// Those that hold it more often, and why: the duration of an edge at low noise, since nothing but the unknown shape of the
// edge between two samples is left and that is bounded by the worst of the shapes; overshoot and undershoot, since how much
// of a peak is noise is bounded, not known, and no truth lies below zero; a bound, since it is one.
func TestStatedUncertaintyHoldsTheTruth(t *testing.T) {
	for name, noise := range map[string][2]float64{"low noise": {0, 0.02}, "high noise": {0.05, 0.3}} {
		t.Run(name, func(t *testing.T) { coverageOf(t, noise[0], noise[1]) })
	}
}

// bounded are the most that measures whose uncertainty is a bound rather than a distribution may hold the truth.
var bounded = map[string]float64{"rise": 0.99, "fall": 0.99, "overshoot": 1, "undershoot": 1, "bound of rise": 1}

func coverageOf(t *testing.T, leastNoise, mostNoise float64) {
	cases := 2000
	if testing.Short() {
		cases = 300
	}
	type score struct{ held, told int }
	scores := map[string]*score{}
	count := func(name string, truth float64, m Measure) {
		if scores[name] == nil {
			scores[name] = &score{}
		}
		if !m.Known() {
			return
		}
		scores[name].told++
		if math.Abs(m.Value-truth) <= m.U {
			scores[name].held++
		}
	}
	random := rand.New(rand.NewPCG(20, 27))
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	for k := range cases {
		period := between(40e-6, 130e-6)
		width := between(0.2, 0.7) * period
		kinds := []func() shape{
			func() shape { return ramp(between(0.2e-6, 2e-6)) },
			func() shape { return raisedCosine(between(0.2e-6, 2e-6)) },
			func() shape { return onePole(between(0.05e-6, 0.5e-6)) },
			func() shape { return secondOrder(between(4e6, 20e6), between(0.2, 0.9)) },
		}
		up, down := kinds[random.IntN(4)](), kinds[random.IntN(4)]()
		low := []float64{-8, -5, 0}[random.IntN(3)]
		high := between(9, 16)
		s := scope{step: between(8e-9, 120e-9), points: 20_000, bits: []int{0, 8, 12, 16}[random.IntN(4)],
			low: low - between(14, 30), high: high + between(18, 30), noise: between(leastNoise, mostNoise), seed: uint64(k)}
		from := between(0, period)
		jitter := []float64{0, between(0, 0.01) * period}[random.IntN(2)]
		// Limits of error as data sheets of scopes with their probes state them (common practice, no source).
		stated := Options{Gain: quantity.Ratio(between(0.005, 0.03)), Offset: volts(between(0.05, 0.3)), Timebase: quantity.Ratio(between(20e-6, 100e-6))}
		gain, offset, clock := 1+float64(stated.Gain)*between(-1, 1), float64(stated.Offset)*between(-1, 1), 1+float64(stated.Timebase)*between(-1, 1)
		truth := unsteady(low, high, up, down, from, period, width, jitter, uint64(k))
		p := Analyse(s.take(func(t float64) float64 { return gain*truth(t/clock) + offset }), stated)
		count("low", low, p.Low)
		count("high", high, p.High)
		count("amplitude", high-low, p.Amplitude)
		count("rise", up.duration(), p.Rise)
		count("fall", down.duration(), p.Fall)
		count("width", width+down.half-up.half, p.PulseWidth)
		if jitter == 0 { // else the mean period of a short record is not the period drawn
			count("period", period, p.Period)
			count("frequency", 1/period, p.Frequency)
			count("duty", (width+down.half-up.half)/period, p.Duty)
		}
		count("jitter", jitter, p.Jitter)
		count("overshoot", max(up.over, down.over), p.Overshoot)
		// Told for the kind of edge that is worse; where the two are close, either may be.
		if math.Abs(up.back-down.back) > 0.05 || up.back == down.back {
			count("undershoot", max(up.back, down.back), p.Undershoot)
		}
		if !p.Rise.Known() && p.Rise.AtMost > 0 {
			count("bound of rise", 0, Measure{Value: max(0, up.duration()-p.Rise.AtMost)})
		}
	}
	for name, s := range scores {
		share := float64(s.held) / float64(s.told)
		t.Logf("%-14s %4d of %4d (%.1f %%)", name, s.held, s.told, 100*share)
		slack := max(0, 2*math.Sqrt(0.05*0.95)*(1/math.Sqrt(float64(s.told))-1/math.Sqrt(2000))) // what fewer cases scatter more
		assert.GreaterOrEqual(t, share, 0.93-slack, name)
		most := 0.97 + slack
		if bound, is := bounded[name]; is {
			most = bound
		}
		assert.LessOrEqual(t, share, most, name)
		assert.Greater(t, s.told, cases/12, "%s is told often enough to judge", name)
	}
}

// The limits within which interpolation between samples is taken to err hold for edges of known shapes, at any number of
// samples on the edge from which durations are told and at any position of these.
func TestInterpolationStaysWithin(t *testing.T) {
	for name, edge := range map[string]shape{"ramp": ramp(1), "raised cosine": raisedCosine(1), "one pole": onePole(1),
		"ringing": secondOrder(1, 0.3), "second order": secondOrder(1, 0.8)} {
		for _, n := range []float64{0.3, 0.6, 1, 1.5, 2, 3, 5, 6, 7, 8, 10, 13, 20, 40} {
			step := edge.duration() / n
			var midway, duration tally
			for k := range 200 {
				phase := (float64(k) + 0.5) / 200
				values := make([]float64, int(20*n)+20)
				for i := range values {
					values[i] = edge.at((float64(i) - 3 - phase) * step)
				}
				instant := func(level float64) float64 {
					i := floats(values).nextAtLeast(0, level)
					return interpolate(values, i, level) - 3 - phase
				}
				midway.add(instant(0.5) - edge.half/step)
				duration.add(instant(0.9) - instant(0.1) - n)
			}
			require.InDelta(t, midwayBias(n), midway.mean(), midwayLimit(n), "%s, %v samples on the edge", name, n)
			require.LessOrEqual(t, midway.deviation(), midwayScatter(n), "%s, %v samples on the edge", name, n)
			if n >= 5 {
				require.InDelta(t, durationBias(n)/2, duration.mean(), durationBias(n)/2+1e-9, "%s, %v samples on the edge", name, n)
				require.LessOrEqual(t, duration.deviation(), durationScatter(n)*1.05, "%s, %v samples on the edge", name, n)
			}
		}
	}
}

func TestStatedUncertaintyOfDeadTimeHoldsTheTruth(t *testing.T) {
	const cases = 200
	random := rand.New(rand.NewPCG(7, 7))
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	held, told := 0, 0
	for k := range cases {
		period, width := 50e-6, between(15e-6, 30e-6)
		dead1, dead2 := between(0.4e-6, 3e-6), between(0.4e-6, 3e-6)
		tau := between(30e-9, 120e-9)
		edge := onePole(tau)
		low, high := -8.0, 15.0
		threshold := between(2, 5)
		up := -tau * math.Log(1-(threshold-low)/(high-low)) // from the step to the threshold
		down := tau * math.Log((high-low)/(threshold-low))
		skew := between(-20e-9, 20e-9)
		// High: on from 0 to width. Low: on from width+dead1 to period-dead2.
		s := scope{start: -3e-6, step: between(4e-9, 40e-9), points: 20_000, bits: 8, low: -14, high: 22, noise: between(0, 0.15), seed: uint64(k)}
		upper := s.take(train(low, high, edge, edge, 0, period, width))
		s.seed += 1000
		lower := s.take(train(low, high, edge, edge, width+dead1+skew, period, period-width-dead1-dead2))
		o := LegOptions{SkewLow: seconds(skew), ThresholdHigh: volts(threshold), ThresholdLow: volts(threshold)}
		l := Leg(upper, lower, o)
		for _, c := range []struct {
			m     Measure
			truth float64
		}{{l.HighToLow.Mean, dead1 - down + up}, {l.LowToHigh.Mean, dead2 - down + up}} {
			require.True(t, c.m.Known(), c.m.Undecided)
			told++
			if math.Abs(c.m.Value-c.truth) <= c.m.U {
				held++
			}
		}
		require.Zero(t, l.Overlaps)
	}
	t.Logf("dead time: %d of %d", held, told)
	require.GreaterOrEqual(t, float64(held), 0.9*float64(told))
}
