package gates

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

var units = flag.Int("units", 100, "simulated units of the tests at analysis level")

// rules are the decision rules with what each predicts of a unit whose true value lies on a limit: how often it is failed, and how
// often passed, at most. Simple and guarded fail what reads outside by more than U and guarded passes what reads inside by U, each
// one tail of 95 %; simple passes what reads inside, half of them; the rule by risk states its risk for both.
var rules = []struct {
	rule          verdict.Rule
	fails, passes float64
}{
	{verdict.Default, 0.025, 1},
	{verdict.Guarded, 0.025, 0.025},
	{verdict.FalseAcceptance(0.05), 0.05, 0.05},
}

// skewed is what more than 2.5 % of the readings of a figure lie below the truth by more than U: a standard deviation that comes out low
// states a low uncertainty of itself. As many fewer lie above; of 320 periods 3.1 and 1.3 %.
var skewed = map[string]float64{"jitter": 0.006}

func TestGoodUnitsAreFailedNoMoreOftenThanTheRulePredicts(t *testing.T) {
	for _, f := range slices.Concat(figures, coarseFigures) {
		t.Run(f.name, func(t *testing.T) {
			t.Parallel()
			r := rand.New(rand.NewPCG(11, 12))
			low, high := f.limits()
			good, edge := make([]map[verdict.Outcome]int, len(rules)), make([]map[verdict.Outcome]int, len(rules))
			for i := range rules {
				good[i], edge[i] = map[verdict.Outcome]int{}, map[verdict.Outcome]int{}
			}
			for k := range *units {
				m, onLimit := f.measure(r, f.within(r)), f.measure(r, f.at(1, k))
				require.True(t, m.Known(), m.Undecided)
				require.True(t, onLimit.Known(), onLimit.Undecided)
				for i, of := range rules {
					good[i][verdict.Decide(m.Value, m.U, low, high, of.rule)]++
					edge[i][verdict.Decide(onLimit.Value, onLimit.U, low, high, of.rule)]++
				}
			}
			for i, of := range rules {
				t.Logf("%s, rule %q: good units %v, units on a limit %v", f.name, of.rule, good[i], edge[i])
				share := func(n int) float64 { return float64(n) / float64(*units) }
				slack := func(p float64) float64 { return 3 * math.Sqrt(p*(1-p)/float64(*units)) } // three standard deviations of the count
				require.LessOrEqual(t, share(good[i][verdict.Fail]), of.fails, "good units, rule %q", of.rule)
				require.LessOrEqual(t, share(edge[i][verdict.Fail]), of.fails+slack(of.fails), "failed on a limit, rule %q", of.rule)
				passes := min(1, of.passes+skewed[f.name])
				require.LessOrEqual(t, share(edge[i][verdict.Pass]), passes+slack(passes), "passed on a limit, rule %q", of.rule)
			}
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
			low, high := f.limits()
			seen := map[verdict.Outcome]int{}
			for k := range *units {
				beyond, inside := f.measure(r, f.at(1.2, k)), f.measure(r, f.at(0.8, k))
				require.True(t, beyond.Known(), beyond.Undecided)
				require.Less(t, beyond.U, 0.11*f.half(), "20 % beyond can be told by about twice the uncertainty")
				// Where the reading is off by more than its U, once in twenty or less, the outcome may be undecided, never the contrary.
				require.NotEqual(t, verdict.Pass, verdict.Decide(beyond.Value, beyond.U, low, high, verdict.Default))
				require.Equal(t, verdict.Pass, verdict.Decide(inside.Value, inside.U, low, high, verdict.Default))
				seen[verdict.Decide(beyond.Value, beyond.U, low, high, verdict.Default)]++

				m := f.measure(r, f.at(1+0.2*r.Float64(), k))
				outcome := verdict.Decide(m.Value, m.U, low, high, verdict.Default)
				outside := m.Value - *high
				if low != nil {
					outside = max(outside, *low-m.Value)
				}
				require.Equal(t, outside > 0 && outside <= m.U, outcome == verdict.Undecided, "undecided where the budget says")
			}
			t.Logf("%s, 20 %% beyond: %v", f.name, seen)
			require.GreaterOrEqual(t, float64(seen[verdict.Fail])/float64(*units), 0.95)
		})
	}
}

// Where the usual instrument is too coarse to tell 20 % of the tolerance, such a unit is undecided as often as the budget says, passed
// or failed wrongly no more often than once in forty.
func TestACoarseInstrumentLeavesUndecidedWhatItCannotTell(t *testing.T) {
	for _, f := range coarseFigures {
		t.Run(f.name, func(t *testing.T) {
			t.Parallel()
			r := rand.New(rand.NewPCG(19, 20))
			low, high := f.limits()
			beyond, inside, far := map[verdict.Outcome]int{}, map[verdict.Outcome]int{}, map[verdict.Outcome]int{}
			for k := range *units {
				for truth, seen := range map[float64]map[verdict.Outcome]int{1.2: beyond, 0.8: inside, 1.8: far} {
					m := f.measure(r, f.at(truth, k))
					require.True(t, m.Known(), m.Undecided)
					require.Greater(t, m.U, 0.11*f.half(), "not coarse: a figure for the others")
					seen[verdict.Decide(m.Value, m.U, low, high, verdict.Default)]++
				}
			}
			t.Logf("%s: 20 %% beyond %v, 20 %% inside %v, 80 %% beyond %v", f.name, beyond, inside, far)
			few := func(n int) bool { return float64(n) <= 0.025*float64(*units)+3*math.Sqrt(0.025*float64(*units)) }
			require.True(t, few(beyond[verdict.Pass]), "%v", beyond)
			require.Zero(t, inside[verdict.Fail])
			require.GreaterOrEqual(t, float64(inside[verdict.Pass]), 0.9*float64(*units))
			require.True(t, few(*units-far[verdict.Fail]), "%v", far)
		})
	}
}

// A twitch has no tolerance: one that is as long as three samples and reaches the device's threshold by more than the noise is found,
// and a gate that keeps away from it by more than that never has one.
func TestATwitchIsFoundAndNoneIsMadeUp(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(21, 22))
	const threshold, step, noise = 3.0, 10e-6, 0.05
	record := func(peak, length float64) waveform.Trace {
		codes := make([]byte, 20_000)
		start := (1000 + 17_000*r.Float64()) * step
		e := drawScope(r)
		for i := range codes {
			v := 0.0
			if at := float64(i)*step - start; at >= 0 && at < length {
				v = peak
			}
			codes[i] = byte(math.Round((v*(1+e.gain) + e.offset + noise*r.NormFloat64() + 14) / 0.144))
		}
		trace := waveform.FromUint8(codes, 0.144, -14)
		trace.Step = step
		return trace
	}
	for range *units / 4 {
		size := (3 + 200*r.Float64()) * step
		found := waveform.Crossings(record(threshold+0.6+8*r.Float64(), size), threshold)
		require.Len(t, found, 1)
		require.InDelta(t, size, float64(found[0].Duration), 2*step)
		require.Empty(t, waveform.Crossings(record((threshold-0.6)*r.Float64(), size), threshold))
	}
}

// An overlap has no tolerance: the least that the scope can tell from none is one. A leg with as much dead time shows none.
func TestAnOverlapIsToldFromADeadTimeOfTheSameSize(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(15, 16))
	for range *units / 4 {
		size := 60e-9 + 300e-9*r.Float64()
		over := leg(r, -size).WorstOverlap
		require.True(t, over.Known(), over.Undecided)
		require.InDelta(t, size, over.Value, 1.5*over.U, "size %v", size)
		zero := 0.0
		require.Equal(t, verdict.Fail, verdict.Decide(over.Value, over.U, nil, &zero, verdict.Default), "%v ± %v", over.Value, over.U)
		apart := leg(r, size)
		require.Zero(t, apart.Overlaps)
	}
}

// Missing pulses have no tolerance either: one in a record is found, and in a whole train none is.
func TestOneMissingPulseIsFoundAndNoneIsMadeUp(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(17, 18))
	for range *units / 4 {
		g := sound(r)
		g.jitter = 100e-9 * r.Float64()
		whole := waveform.Missing(g.record(r, drawScope(r), 20_000, 100e-9), quantity.Seconds(g.period), scopeOptions)
		require.Empty(t, whole.Undecided)
		require.Zero(t, whole.Missing+whole.Extra)
		g.missing = 1 + r.IntN(190)
		one := waveform.Missing(g.record(r, drawScope(r), 20_000, 100e-9), quantity.Seconds(g.period), scopeOptions)
		require.Equal(t, 1, one.Missing, "pulse %d", g.missing)
		require.Zero(t, one.Extra)
	}
}
