package waveform

import (
	"flag"
	"maps"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
)

var (
	coverageCases = flag.Int("cases", 300, "random cases from which the share of truths within their stated uncertainty is counted")
	coverageSeeds = flag.Int("seeds", 1, "how many times, each with its own random numbers")
)

// holding counts how often value ± U holds the truth.
type holding struct{ held, told int }

type holdings map[string]*holding

func (h holdings) count(name string, truth float64, m Measure) {
	if h[name] == nil {
		h[name] = &holding{}
	}
	if !m.Known() {
		return
	}
	h[name].told++
	if math.Abs(m.Value-truth) <= m.U {
		h[name].held++
	}
}

// judge asks for 93 to 97 %. Of 2,000 cases with exactly 95 % a share scatters by ±1 % (two standard deviations of the binomial
// distribution, 2·√(0.05·0.95/2000)), so that the model itself is held to about 94 to 96 %; fewer cases get the room that they
// scatter more. Bounds may hold more often, up to the share that is named for them.
func (h holdings) judge(t *testing.T, bounds map[string]float64, fewest int) {
	t.Helper()
	for _, name := range slices.Sorted(maps.Keys(h)) {
		s := h[name]
		share := float64(s.held) / float64(max(1, s.told))
		slack := max(0, 2*math.Sqrt(0.05*0.95)*(1/math.Sqrt(float64(max(1, s.told)))-1/math.Sqrt(2000)))
		t.Logf("%-20s %4d of %4d (%.1f %%)", name, s.held, s.told, 100*share)
		assert.GreaterOrEqual(t, share, 0.93-slack, name)
		most := 0.97 + slack
		if bound, is := bounds[name]; is {
			most = bound + slack
		}
		assert.LessOrEqual(t, share, most, name)
		assert.Greater(t, s.told, fewest, "%s is told often enough to judge", name)
	}
}
