package waveform

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Edges that ring, with all dampings, seen with few samples an edge and with many, through scopes of all resolutions. Where no
// peak stands out there is an upper bound, one-sided, which holds at least as often.
func TestStatedUncertaintyOfPeaksHoldsTheTruth(t *testing.T) {
	for name, noise := range map[string][2]float64{"low noise": {0, 0.02}, "high noise": {0.05, 0.3}} {
		for seed := range *coverageSeeds {
			t.Run(fmt.Sprint(name, "/seed ", seed), func(t *testing.T) { peaks(t, noise[0], noise[1], uint64(seed)) })
		}
	}
}

func peaks(t *testing.T, leastNoise, mostNoise float64, seed uint64) {
	random := rand.New(rand.NewPCG(23, seed))
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	scores := holdings{}
	ringing := func() shape { return secondOrder(between(4e6, 20e6), between(0.2, 0.9)) }
	smooth := []func() shape{ringing, func() shape { return ramp(between(0.1e-6, 0.6e-6)) }, func() shape { return onePole(between(0.05e-6, 0.2e-6)) }}
	bounds, held := 0, 0
	for k := range *coverageCases {
		up, down := ringing(), smooth[random.IntN(3)]()
		if random.IntN(2) == 0 {
			up, down = down, up
		}
		period := between(8e-6, 40e-6)
		low := []float64{-8, -5, 0}[random.IntN(3)]
		high := between(9, 16)
		s := scope{step: min(up.duration(), down.duration()) / between(2.2, 40), points: 20_000, bits: []int{0, 8, 12, 16}[random.IntN(4)],
			low: low - between(14, 30), high: high + between(18, 30), noise: between(leastNoise, mostNoise), seed: seed<<32 + uint64(k)}
		p := Analyse(s.take(train(low, high, up, down, between(0, period), period, between(0.3, 0.6)*period)), Options{})
		for _, c := range []struct {
			name  string
			truth float64
			m     Measure
		}{{"overshoot", max(up.over, down.over), p.Overshoot}, {"undershoot", max(up.back, down.back), p.Undershoot}} {
			scores.count(c.name, c.truth, c.m)
			if !c.m.Known() && c.m.AtMost > 0 {
				bounds++
				if c.truth <= c.m.AtMost {
					held++
				}
			}
			if !c.m.Known() {
				assert.LessOrEqual(t, c.m.AtLeast, c.truth, "case %d: what %s is at least", k, c.name)
			}
		}
	}
	t.Logf("upper bounds %d of %d", held, bounds)
	require.GreaterOrEqual(t, float64(held), 0.93*float64(bounds))
	scores.judge(t, nil, *coverageCases/6)
}
