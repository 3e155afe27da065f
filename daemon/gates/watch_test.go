package gates

import (
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/verdict"
)

func TestAFamilyThatDoesNotSayHowLongToLookWantsNoMore(t *testing.T) {
	b := newBoard(t, "heron")
	c := b.sweep(t, sight)
	for _, s := range c.states {
		require.Zero(t, c.Wanting("A", s.code, s.direction))
	}
}

func TestRareMissesAreLookedForUntilTheStatedConfidenceIsReached(t *testing.T) {
	b := newBoard(t, "heron")
	b.family.Modulation.Missing = drive.Missing{OneIn: 500, Confidence: 0.9}
	s := sight
	s.OneIn = 0
	c := b.sweep(t, s)
	k := find(t, c.Judge(Circumstances{}).Checks, "missing pulses", "A.high")
	require.Equal(t, verdict.Undecided, k.Outcome)
	require.Contains(t, k.Reason, "only in 1151", "ln(0.1)/ln(1-1/500) = 1150.14, computed")

	watched := b.watch(t, c)
	require.Positive(t, watched)
	k = find(t, c.Judge(Circumstances{}).Checks, "missing pulses", "A.high")
	require.Equal(t, verdict.Pass, k.Outcome, k.Reason)
	require.Regexp(t, `one in 500 would have shown with 9\d\.\d* % confidence`, k.Reason)
}

func TestAMissOnlyInAFurtherCaptureFails(t *testing.T) {
	b := newBoard(t, "heron")
	b.family.Modulation.Missing = drive.Missing{OneIn: 500, Confidence: 0.9}
	s := sight
	s.OneIn = 0
	c := b.sweep(t, s)
	b.channels["A.high"].missEvery = 100
	b.watch(t, c)
	k := find(t, c.Judge(Circumstances{}).Checks, "missing pulses", "A.high")
	require.Equal(t, verdict.Fail, k.Outcome, k.Reason)
}

func TestWhatWouldTakeTooLongIsCappedAndSaid(t *testing.T) {
	b := newBoard(t, "heron")
	b.family.Modulation.Missing = drive.Missing{OneIn: 1_000_000, Confidence: 0.99}
	s := sight
	s.OneIn = 0
	c := b.sweep(t, s)
	b.watch(t, c)
	k := find(t, c.Judge(Circumstances{}).Checks, "missing pulses", "A.high")
	require.Equal(t, verdict.Undecided, k.Outcome, k.Reason)
	require.Contains(t, k.Reason, "stopped at 25 captures a Hall state")
	require.Contains(t, k.Reason, "% is reached")
}

func TestAStateThatWasNotViewedCannotBeWatched(t *testing.T) {
	c := New(newBoard(t, "heron").family, sight)
	require.ErrorContains(t, c.Watch("A", 4, drive.Forward, Pair{}), "not viewed before")
	require.ErrorContains(t, c.Watch("D", 4, drive.Forward, Pair{}), "not viewed before")
}

// watch goes on as a sweep does and returns how many further captures it took.
func (b *board) watch(t *testing.T, c *Chart) (taken int) {
	t.Helper()
	for _, leg := range b.family.Bridge.Legs {
		for _, s := range c.order[leg] {
			ask := func(channel string) string { return b.pattern(s.code, s.direction, channel) }
			for c.Wanting(leg, s.code, s.direction) > 0 {
				require.NoError(t, c.Watch(leg, s.code, s.direction, b.pair(leg, ask, longStep, longSamples)))
				taken++
				require.LessOrEqual(t, taken, 12*len(b.family.Bridge.Legs)*MostWatches, "it ends")
			}
		}
	}
	return taken
}
