package waveform

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

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

// What safety asks is one-sided: that the true shortest dead time of the record is not below Value - U. It holds in at least 95 % of
// cases whether the dead times are alike, scatter, or one of them is short by anything from less than the noise to a half; nothing that
// is exact for one of these holds for the others, since a dead time that is short by about the noise cannot be told from noise.
func TestTheShortestDeadTimeIsSeldomBelowWhatIsStated(t *testing.T) {
	for name, c := range map[string]struct{ scatter, short float64 }{"alike": {}, "scattered": {scatter: 40e-9}, "one short": {short: 0.5}} {
		for level, noise := range map[string][2]float64{"low noise": {0, 0.02}, "high noise": {0.05, 0.3}} {
			for seed := range *coverageSeeds {
				t.Run(fmt.Sprint(name, "/", level, "/seed ", seed), func(t *testing.T) { shortest(t, c.scatter, c.short, noise, uint64(seed)) })
			}
		}
	}
}

func shortest(t *testing.T, scatter, short float64, noise [2]float64, seed uint64) {
	random := rand.New(rand.NewPCG(29, seed))
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	notBelow, notAbove := 0, 0
	cases := *coverageCases / 3
	for k := range cases {
		const period, width, low, high, threshold = 20e-6, 8e-6, -8.0, 15.0, 4.0
		const share = (threshold - low) / (high - low)
		on, off := [2]shape{ramp(between(0.1e-6, 0.6e-6)), onePole(between(0.03e-6, 0.2e-6))}, [2]shape{ramp(between(0.1e-6, 0.6e-6)), ramp(between(0.1e-6, 0.6e-6))}
		usual, step, count := between(1.5e-6, 4e-6), between(4e-9, 40e-9), 4+random.IntN(16)
		dead := make([]float64, count)
		for i := range dead {
			dead[i] = usual + scatter*random.Float64()*random.NormFloat64()
		}
		if short > 0 {
			i := random.IntN(count)
			dead[i] -= usual * min(short, math.Exp(between(math.Log(1e-3), 0))) // as often by a little as by much
		}
		lower := func(t float64) float64 {
			i := min(count-1, max(0, int(math.Floor(t/period))))
			y, begins, ends := 0.0, float64(i)*period+width+dead[i], float64(i+1)*period-2e-6
			switch {
			case t >= ends:
				y = 1 - off[1].at(t-ends)
			case t >= begins:
				y = on[1].at(t - begins)
			case i > 0:
				y = 1 - off[1].at(t-float64(i)*period+2e-6)
			}
			return low + (high-low)*y
		}
		s := scope{start: -2e-6, step: step, points: int(float64(count) * period / step), bits: []int{8, 8, 12}[random.IntN(3)], low: -14, high: 22,
			noise: between(noise[0], noise[1]), seed: seed<<32 + uint64(2*k)}
		o := LegOptions{SkewU: seconds(between(0, 8e-9)), ThresholdHigh: threshold, ThresholdLow: threshold, Gain: quantity.Ratio(between(0.005, 0.03)), Offset: volts(between(0.02, 0.3))}
		skew := float64(o.SkewU) / 1.96 * random.NormFloat64()
		seen := func(f signal) Trace {
			gain, offset := 1+float64(o.Gain)*between(-1, 1), float64(o.Offset)*between(-1, 1)
			s.seed++
			return s.take(func(at float64) float64 { return gain*f(at) + offset })
		}
		l := Leg(seen(train(low, high, on[0], off[0], 0, period, width)), seen(func(at float64) float64 { return lower(at - skew) }), o)
		require.Equal(t, count, l.HighToLow.Count, "case %d", k)
		truth := slices.Min(dead) + on[1].crossedAt(share) - off[0].crossedAt(1-share)
		if m := l.HighToLow.Shortest; truth >= m.Value-m.U {
			notBelow++
		}
		if m := l.HighToLow.Shortest; truth <= m.Value+m.U {
			notAbove++
		}
	}
	t.Logf("not below %.1f %%, not above %.1f %% of %d", 100*float64(notBelow)/float64(cases), 100*float64(notAbove)/float64(cases), cases)
	slack := 2 * math.Sqrt(0.05*0.95/float64(cases))
	require.GreaterOrEqual(t, float64(notBelow)/float64(cases), 0.95-slack)
	require.GreaterOrEqual(t, float64(notAbove)/float64(cases), 0.95-slack)
}
