package gates

import (
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/verdict"
)

// One view left out: neither gate of that leg has its pattern passed.
func TestAStateThatWasNotCapturedIsNotPassed(t *testing.T) {
	b := newBoard(t, "plover")
	c := New(b.family, sight)
	for _, leg := range b.family.Bridge.Legs {
		for _, d := range drive.Directions() {
			for _, code := range b.family.Walk(d) {
				if leg == "B" && d == drive.Reverse && code == 0b011 {
					continue
				}
				ask := func(channel string) string { return b.pattern(code, d, channel) }
				require.NoError(t, c.Add(View{Leg: leg, Code: code, Direction: d, Short: b.pair(leg, ask, shortStep, shortSamples)}))
			}
		}
	}
	r := c.Judge(Circumstances{})
	for _, channel := range []string{"B.high", "B.low"} {
		k := find(t, r.Checks, "gate pattern", channel)
		require.Equal(t, verdict.NotShown, k.Outcome)
		require.Contains(t, k.Reason, "011 reverse")
	}
	require.Equal(t, verdict.Pass, find(t, r.Checks, "gate pattern", "A.high").Outcome)
	require.Equal(t, verdict.Undecided, find(t, r.Checks, "missing pulses", "A.high").Outcome, "without long captures")
	leg := find(t, r.Checks, "dead time", "leg A")
	require.Equal(t, verdict.NotShown, leg.Outcome, "no reversal was captured")
	require.NotEmpty(t, leg.Change)
}

// A dummy capacitor that is not fitted leaves an edge of the probe only: not shown, not a good edge.
func TestAnUnloadedEdgeIsNotShown(t *testing.T) {
	b := newBoard(t, "heron")
	b.channels["A.high"].tauUp, b.channels["A.high"].tauDown = 3e-9, 3e-9
	r := b.sweep(t, sight).Judge(Circumstances{})
	for _, name := range []string{"rise time", "fall time"} {
		k := find(t, r.Checks, name, "A.high")
		require.NotEqual(t, verdict.Pass, k.Outcome, k.Reason)
		require.NotEqual(t, verdict.Fail, k.Outcome, k.Reason)
		require.NotEmpty(t, k.Change)
	}
}

// A probe set to another factor than the bench file says is no low gate level.
func TestAWrongProbeFactorIsUndecided(t *testing.T) {
	b := newBoard(t, "heron")
	b.channels["C.low"].on, b.channels["C.low"].off = 1.5, -0.8
	r := b.sweep(t, sight).Judge(Circumstances{})
	for _, name := range []string{"gate pattern", "gate level on"} {
		k := find(t, r.Checks, name, "C.low")
		require.NotEqual(t, verdict.Pass, k.Outcome, "%s: %s", name, k.Reason)
	}
}

// The gap at a single reversal may hold a part of the chopping period: a long one is no long dead time yet.
func TestASingleLongGapAtAReversalIsUndecided(t *testing.T) {
	b := newBoard(t, "plover")
	b.dead["A"] = [2]float64{2.5e-6, 2.5e-6}
	c := New(b.family, sight)
	b.reversal(t, c, "A")
	k := find(t, c.Judge(Circumstances{}).Checks, "dead time", "leg A")
	require.Equal(t, verdict.Undecided, k.Outcome, k.Reason)
	require.Contains(t, k.Change, "reversals")
	for range 2 {
		b.reversal(t, c, "A")
	}
	require.Equal(t, verdict.Fail, find(t, c.Judge(Circumstances{}).Checks, "dead time", "leg A").Outcome)
}
