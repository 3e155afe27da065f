package waveform

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestStatedUncertaintyHoldsTheTruth draws random pulse trains, samples them through random converters and counts how
// often value ± U holds the truth: for a stated 95 % at least 90 % must, for each measure.
func TestStatedUncertaintyHoldsTheTruth(t *testing.T) {
	const cases = 300
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
	random := rand.New(rand.NewPCG(20, 26))
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	for k := range cases {
		period := between(40e-6, 130e-6)
		width := between(0.2, 0.7) * period
		kinds := []func() shape{
			func() shape { return ramp(between(0.2e-6, 2e-6)) },
			func() shape { return raisedCosine(between(0.2e-6, 2e-6)) },
			func() shape { return onePole(between(0.05e-6, 0.5e-6)) },
			func() shape { return secondOrder(between(4e6, 20e6), between(0.5, 0.9)) },
		}
		up, down := kinds[random.IntN(4)](), kinds[random.IntN(4)]()
		low := []float64{-8, -5, 0}[random.IntN(3)]
		high := between(9, 16)
		s := scope{step: between(8e-9, 120e-9), points: 20_000, bits: []int{0, 8, 16}[random.IntN(3)],
			low: low - between(4, 20), high: high + between(8, 20), noise: between(0, 0.15), seed: uint64(k)}
		from := between(0, period)
		p := Analyse(s.take(train(low, high, up, down, from, period, width)), Options{})
		count("low", low, p.Low)
		count("high", high, p.High)
		count("amplitude", high-low, p.Amplitude)
		count("rise", up.duration(), p.Rise)
		count("fall", down.duration(), p.Fall)
		downHalf := down.half
		count("width", width+downHalf-up.half, p.PulseWidth)
		count("period", period, p.Period)
		count("frequency", 1/period, p.Frequency)
		count("duty", (width+downHalf-up.half)/period, p.Duty)
		if !p.Rise.Known() && p.Rise.AtMost > 0 {
			count("bound of rise", 0, Measure{Value: max(0, up.duration()-p.Rise.AtMost)})
		}
	}
	for name, s := range scores {
		t.Logf("%-14s %4d of %4d (%.1f %%)", name, s.held, s.told, 100*float64(s.held)/float64(s.told))
		require.GreaterOrEqual(t, float64(s.held), 0.9*float64(s.told), name)
		require.Greater(t, s.told, cases/12, "%s is told often enough to judge", name)
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
