package command

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/daemon/report"
	"benchwarden/daemon/verdict"
)

var matrixBlock = regexp.MustCompile(`(?s)\n  matrix:.*?\n  temperature:`)

// With four wires a small gate resistor is known better than with leads that are nulled, and nothing is nulled.
func TestFourWiresReadASmallResistorWithoutNulling(t *testing.T) {
	t.Parallel()
	byHand := func(text string) string { return matrixBlock.ReplaceAllString(text, "\n  temperature:") }
	four := func(text string) string {
		return strings.Replace(text, "accuracy: {current: 0.1 % of reading + 2 mA", "four_wire: true\n    accuracy: {current: 0.1 % of reading + 2 mA", 1)
	}
	read := func(edits ...func(string) string) (resistor event.Check, run report.Run) {
		var runs []report.Run
		for range starved {
			var err error
			runs, err = takenWith(t, "../../configs", simulateOptions{family: "wren", seed: 3}, []string{"cold_checks"}, edits...)
			require.NoError(t, err)
			if starvedBy(runs[0]) == "" {
				break
			}
		}
		require.Equal(t, string(verdict.Pass), runs[0].Ended.Outcome, telling(runs[0]))
		i := slices.IndexFunc(runs[0].Checks, func(c event.Check) bool { return c.Name == "gate resistor" })
		return runs[0].Checks[i], runs[0]
	}
	nulled, _ := read(byHand)
	kelvin, run := read(byHand, four)
	require.InDelta(t, nulled.Reading.Number, kelvin.Reading.Number, nulled.Uncertainty.Number+kelvin.Uncertainty.Number)
	require.Less(t, kelvin.Uncertainty.Number, 0.85*nulled.Uncertainty.Number)
	require.True(t, slices.ContainsFunc(run.Notes, func(n event.Note) bool { return strings.Contains(n.Text, "four wires") }))
}
