package waveform

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// TestStatedUncertaintyHoldsTheTruth draws random pulse trains and random scopes, whose errors of gain, offset and time base
// lie anywhere within what is stated of them, samples and quantises, and counts how often value ± U holds the truth: for a
// stated 95 % in 93 to 97 % of cases, for each measure, at low and at high noise.
//
// What is stated as a bound, of an edge too fast to be told, holds more often.
func TestStatedUncertaintyHoldsTheTruth(t *testing.T) {
	for name, noise := range map[string][2]float64{"low noise": {0, 0.02}, "high noise": {0.05, 0.3}} {
		t.Run(name, func(t *testing.T) {
			for seed := range *coverageSeeds {
				t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) { coverageOf(t, noise[0], noise[1], uint64(seed)) })
			}
		})
	}
}

// bounded are the most that measures whose uncertainty is a bound rather than a distribution may hold the truth.
var bounded = map[string]float64{"bound of rise": 1}

func coverageOf(t *testing.T, leastNoise, mostNoise float64, seed uint64) {
	scores := holdings{}
	count := scores.count
	random := rand.New(rand.NewPCG(20, seed))
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	for k := range *coverageCases {
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
			low: low - between(14, 30), high: high + between(18, 30), noise: between(leastNoise, mostNoise), seed: seed<<32 + uint64(k)}
		from := between(0, period)
		jitter := []float64{0, between(0, 0.01) * period}[random.IntN(2)]
		// Limits of error as data sheets of scopes with their probes state them (common practice, no source).
		stated := Options{Gain: quantity.Ratio(between(0.005, 0.03)), Offset: volts(between(0.05, 0.3)), Timebase: quantity.Ratio(between(20e-6, 100e-6))}
		gain, offset, clock := 1+float64(stated.Gain)*between(-1, 1), float64(stated.Offset)*between(-1, 1), 1+float64(stated.Timebase)*between(-1, 1)
		truth := unsteady(low, high, up, down, from, period, width, jitter, seed<<32+uint64(k))
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
		if !p.Rise.Known() && p.Rise.AtMost > 0 {
			count("bound of rise", 0, Measure{Value: max(0, up.duration()-p.Rise.AtMost)})
		}
	}
	scores.judge(t, bounded, *coverageCases/12)
}

// The limits within which interpolation between samples is taken to err hold for edges of known shapes, at any number of
// samples on the edge from which durations are told and at any position of these.
func TestInterpolationStaysWithin(t *testing.T) {
	for name, edge := range map[string]shape{"ramp": ramp(1), "raised cosine": raisedCosine(1), "one pole": onePole(1),
		"ringing": secondOrder(1, 0.3), "second order": secondOrder(1, 0.8)} {
		for _, n := range []float64{0.3, 0.6, 1, 1.5, 2, 3, 5, 6, 7, 8, 10, 13, 20, 40} {
			step := edge.duration() / n
			var midway tally
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
			}
			require.InDelta(t, midwayBias(n), midway.mean(), midwayLimit(n), "%s, %v samples on the edge", name, n)
			require.LessOrEqual(t, midway.deviation(), midwayScatter(n), "%s, %v samples on the edge", name, n)
		}
	}
}
