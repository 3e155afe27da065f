package waveform

import (
	"math/rand/v2"
	"testing"

	"benchwarden/instruments/quantity"
)

// Legs with random edges, dead times, thresholds, scopes and probes, whose errors of gain, offset and skew lie anywhere within
// what is stated of them.
func TestStatedUncertaintyOfDeadTimeHoldsTheTruth(t *testing.T) {
	for name, noise := range map[string][2]float64{"low noise": {0, 0.02}, "high noise": {0.05, 0.3}} {
		t.Run(name, func(t *testing.T) {
			for seed := range *coverageSeeds {
				deadTimes(t, noise[0], noise[1], uint64(seed))
			}
		})
	}
}

func deadTimes(t *testing.T, leastNoise, mostNoise float64, seed uint64) {
	scores := holdings{}
	random := rand.New(rand.NewPCG(7, seed))
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	edge := func() shape {
		switch random.IntN(4) {
		case 0:
			return ramp(between(0.1e-6, 0.6e-6))
		case 1:
			return raisedCosine(between(0.1e-6, 0.6e-6))
		case 2:
			return onePole(between(0.03e-6, 0.2e-6))
		}
		return secondOrder(between(8e6, 40e6), between(0.3, 0.9))
	}
	for k := range *coverageCases {
		period, width := between(40e-6, 60e-6), between(15e-6, 25e-6)
		dead1, dead2 := between(1.5e-6, 4e-6), between(1.5e-6, 4e-6)
		low, high := -8.0, 15.0
		threshold := between(2, 6)
		share := (threshold - low) / (high - low)
		on, off := [2]shape{edge(), edge()}, [2]shape{edge(), edge()} // of the high and of the low side
		s := scope{start: -3e-6, step: between(4e-9, 40e-9), points: 20_000, bits: []int{8, 8, 12}[random.IntN(3)], low: -14, high: 22,
			noise: between(leastNoise, mostNoise), seed: seed<<32 + uint64(2*k)}
		stated := LegOptions{SkewHigh: 0, SkewLow: seconds(between(-20e-9, 20e-9)), SkewU: seconds(between(0, 8e-9)), ThresholdHigh: volts(threshold), ThresholdLow: volts(threshold),
			Gain: quantity.Ratio(between(0.005, 0.03)), Offset: volts(between(0.02, 0.3))}
		skew := float64(stated.SkewLow) + float64(stated.SkewU)/1.96*random.NormFloat64()
		seen := func(f signal) Trace {
			gain, offset := 1+float64(stated.Gain)*between(-1, 1), float64(stated.Offset)*between(-1, 1)
			s.seed++
			return s.take(func(at float64) float64 { return gain*f(at) + offset })
		}
		// High: on from 0 to width. Low: on from width+dead1 to period-dead2.
		upper := seen(train(low, high, on[0], off[0], 0, period, width))
		lower := seen(train(low, high, on[1], off[1], width+dead1+skew, period, period-width-dead1-dead2))
		l := Leg(upper, lower, stated)
		for _, c := range []struct {
			Changeover
			truth float64
		}{{l.HighToLow, dead1 + on[1].crossedAt(share) - off[0].crossedAt(1-share)}, {l.LowToHigh, dead2 + on[0].crossedAt(share) - off[1].crossedAt(1-share)}} {
			scores.count("dead time", c.truth, c.Mean)
			scores.count("shortest", c.truth, c.Shortest)
			scores.count("longest", c.truth, c.Longest)
		}
		if l.Overlaps > 0 {
			t.Errorf("case %d: an overlap where there is none", k)
		}
	}
	scores.judge(t, map[string]float64{"shortest": 1, "longest": 1}, *coverageCases)
}
