package command

import (
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/verdict"
)

// What the reference sweep has to find; it is for open loops only.
var referenceLines = []line{
	{fault: "reference_offset", names: "the reference has an offset", on: "heron wren"},
	{fault: "reference_gain", names: "the gain of the reference is wrong", on: "heron wren"},
	{fault: "reference_dead_zone", names: "the reference has a dead zone", on: "heron wren"},
	{fault: "reference_polarity_missing:negative", names: "negative references do nothing", on: "heron wren"},
}

// TestGoodUnitsOnTheBoard takes a good unit of each family through the scripts of the board stage that a release does not ask
// for. Where a family has nothing that a script could look at, the run says so and is never passed.
func TestGoodUnitsOnTheBoard(t *testing.T) {
	for _, c := range []struct{ script, family, outcome string }{
		{"reference_sweep", "heron", string(verdict.Pass)},
		{"reference_sweep", "wren", string(verdict.Pass)},
		{"reference_sweep", "plover", string(verdict.Undecided)}, // its current loop saturates
	} {
		t.Run(c.script+" "+c.family, func(t *testing.T) {
			t.Parallel()
			r := tried(t, c.family, 3, true, nil, true, c.script)[0]
			require.Equal(t, c.outcome, r.Ended.Outcome, telling(r))
			require.Empty(t, r.Findings)
			require.NotEmpty(t, r.Checks)
		})
	}
}
