package report_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/daemon/report"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

func ptr(v quantity.Value) *quantity.Value { return &v }

var events = []event.Event{
	{Run: "run-1", Body: event.RunStarted{Title: "DC bus", Script: "scripts/bus_ramp.star", Stage: "board", Family: "wren", Unit: "W-1",
		Identities: []event.Identity{{Role: "bus", Identity: "Quayside Simulated,supply SIMULATED,1,1.0", CalibrationDue: "2027-10-31"}}}},
	{Run: "run-1", Body: event.Limits{Limits: []event.Limit{
		{Quantity: "bus.voltage", Kind: "high", Value: quantity.Volts(35).Value(), N: 1, M: 1, Origin: "family wren, stage board"},
		{Quantity: "interlock", Kind: "interlock", Value: quantity.Value{Unit: quantity.One}, N: 1, M: 1, Origin: "bench quay"}}}},
	{Run: "run-1", Body: event.Check{Name: "bus steady", Subject: "bus", Outcome: verdict.Pass}},
	{Run: "run-1", Body: event.Check{Name: "quiescent current", Subject: "bus", Outcome: verdict.Fail, Reading: ptr(quantity.Amperes(0.042).Value()),
		High: ptr(quantity.Amperes(0.021).Value()), Reason: "too much <current>", Part: "bleeder"}},
	{Run: "run-1", Body: event.Check{Name: "capacitance", Subject: "bus", Outcome: verdict.Undecided, Reason: "too few readings", Change: "take more readings"}},
	{Run: "run-1", Body: event.Trip{Cause: "over-current", Text: "bus.current 90 mA is above 80 mA", Do: "look for a short"}},
	{Run: "run-1", Body: event.Finding{Subject: "bus", Text: "something loads the bus", Part: "bleeder", Do: "measure it cold"}},
	{Run: "run-1", Body: event.Chart{Columns: []string{"forward 101"}, Rows: []event.ChartRow{{Channel: "A.high",
		Cells: []event.ChartCell{{Expected: "chop", Found: "off", Outcome: verdict.Fail, Reason: "no edges"},
			{Expected: "off", Found: "not shown", Outcome: verdict.NotShown}}}}}},
	{Run: "run-1", Body: event.RunEnded{Outcome: "fail", Exit: 1}},
}

func written(t *testing.T, u report.Unit) string {
	t.Helper()
	var page strings.Builder
	require.NoError(t, u.Write(&page))
	return page.String()
}

func TestARunIsTakenWhole(t *testing.T) {
	r := report.Take(events)
	require.Equal(t, "run-1", r.Name)
	require.Equal(t, "fail", r.Ended.Outcome)
	require.Equal(t, 1, r.Count(verdict.Pass))
	require.Equal(t, 1, r.Count(verdict.Fail))
	require.Equal(t, 1, r.Count(verdict.Undecided))
	require.Zero(t, r.Count(verdict.NotShown))
	require.Len(t, r.Open(), 2, "all that did not pass is open, undecided as well")
}

func TestThePageShowsWhatDidNotPassAndWhy(t *testing.T) {
	page := written(t, report.Unit{Unit: "W-1", Family: "wren", Outcome: "fail", Runs: []report.Run{report.Take(events)}})
	for _, want := range []string{
		"Unit W-1, drive family wren", "1 checks passed, 1 failed, 1 undecided, 0 not shown",
		"42 mA", "21 mA", "likely bleeder", "too few readings", "to change that: take more readings",
		"Trip, over-current", "bus.current 90 mA is above 80 mA", "something loads the bus", "do: measure it cold",
		"expected chop", "✗ off", "35 V", "family wren, stage board", "2027-10-31", "Prove a bus dead before you touch it",
	} {
		require.Contains(t, page, want)
	}
	require.Equal(t, 1, strings.Count(page, "0.0 / 0.0 V"), "a cell that was not shown has no levels")
	require.Contains(t, page, "too much &lt;current&gt;", "what a run says is text, never markup")
	require.NotContains(t, page, "SIMULATED: no figure")
	require.NotContains(t, strings.ToLower(page), ">safe<", "the page never says that a thing is safe")
}

func TestASimulatedPageSaysSoAboveEveryFigure(t *testing.T) {
	page := written(t, report.Unit{Unit: "W-1", Simulated: true, Runs: []report.Run{report.Take(events)}})
	mark := strings.Index(page, "SIMULATED: no figure on this page was measured on a drive")
	require.Positive(t, mark)
	require.Less(t, mark, strings.Index(page, "42 mA"))
}

func TestARunWithoutAnEndStillMakesAPage(t *testing.T) {
	for n := range events {
		page := written(t, report.Unit{Unit: "W-1", Runs: []report.Run{report.Take(events[:n])}})
		require.Contains(t, page, "</html>")
		require.Contains(t, page, ": interrupted</h2>")
	}
}
