package command

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/record"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// journalled keeps a run in a record as if it had been made on a bench.
func journalled(t *testing.T, book *record.Book, name, unit, outcome string, bodies ...event.Body) {
	t.Helper()
	text, err := os.ReadFile("../../configs/families/unknown.yaml")
	require.NoError(t, err)
	family, err := drive.Decode("unknown.yaml", text)
	require.NoError(t, err)
	bodies = append([]event.Body{event.RunStarted{Script: "bus_ramp.star", Stage: "board", Family: "unknown", Unit: unit,
		FamilyHash: family.Hash(), FamilyText: string(text)}}, bodies...)
	bodies = append(bodies, event.RunEnded{Outcome: outcome})
	hub := event.NewHub()
	events := hub.Subscribe(event.Lossless)
	for i, b := range bodies {
		hub.Emit(event.Event{At: time.Date(2026, 11, 25, 10, 0, i, 0, time.UTC), Bench: "quay", Run: name, Body: b})
	}
	j, err := record.Create(t.TempDir(), name)
	require.NoError(t, err)
	require.NoError(t, j.Keep(t.Context(), name, events))
	require.NoError(t, j.Close())
	_, err = book.Take(t.Context(), j.Path())
	require.NoError(t, err)
}

func TestAFamilyIsLearntFromAGoodUnitAndValidateTakesIt(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	configs := ownConfigs(t, p)
	book, err := record.Open(t.Context(), filepath.Join(p.path("data"), "record.db"))
	require.NoError(t, err)
	c, u := quantity.Farads(950e-6).Value(), quantity.Farads(40e-6).Value()
	shown := event.Check(verdict.Check{Name: "capacitance", Subject: "bus", Outcome: verdict.Pass, Reading: &c, Uncertainty: &u})
	journalled(t, book, "good-run", "X 1", "pass", shown,
		event.Chart{Rows: []event.ChartRow{{Channel: "A.high", Cells: []event.ChartCell{{Outcome: verdict.Pass, Period: 125e-6}}}}})
	journalled(t, book, "bad-run", "X 1", "fail", shown)
	journalled(t, book, "other-unit", "X 2", "pass", shown)
	require.NoError(t, book.Close())

	learnt := p.run(t, "family", "learn", "good-run", "--name", "dunlin")
	require.Zero(t, learnt.code, learnt.output())
	require.Contains(t, learnt.output(), "bus capacitance: 950 µF to 950 µF were seen")
	require.Contains(t, learnt.output(), "chopping frequency: 8 kHz")
	valid := p.run(t, "validate", filepath.Join(configs, "families", "dunlin.yaml"))
	require.Zero(t, valid.code, valid.output())
	f, err := drive.LoadNamed([]string{filepath.Join(configs, "families")}, "dunlin")
	require.NoError(t, err)
	require.Equal(t, drive.Learnt{"good-run"}, f.Learnt)

	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"good-run", "--name", "dunlin"}, "exists"},
		{[]string{"bad-run", "--name", "other"}, "only a passed run on a good unit teaches"},
		{[]string{"good-run", "other-unit", "--name", "other"}, "is of unit X 2"},
		{[]string{"no-run", "--name", "other"}, "not in the record"},
		{[]string{"good-run", "--name", "../other"}, "one word"},
		{[]string{"--name", "other"}, "name a job or the runs"},
	} {
		refused := p.run(t, append([]string{"family", "learn"}, c.args...)...)
		require.NotZero(t, refused.code, c.args)
		require.Contains(t, refused.output(), c.want)
	}
	require.NoFileExists(t, filepath.Join(configs, "families", "other.yaml"))
}
