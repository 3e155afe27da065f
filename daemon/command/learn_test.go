package command

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
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
		FamilyHash: family.Hash(), FamilyText: string(text), Simulated: strings.HasPrefix(name, "simulated")}}, bodies...)
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
	taken, err := book.Take(t.Context(), j.Path())
	require.NoError(t, err)
	require.True(t, taken)
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
	journalled(t, book, "simulated-run", "X 2", "pass", shown)
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
		{[]string{"good-run", "simulated-run", "--name", "other"}, "some of these runs were simulated"},
		{[]string{"no-run", "--name", "other"}, "not in the record"},
		{[]string{"good-run", "--name", "../other"}, "one word"},
		{[]string{"--name", "other"}, "name the jobs or the runs"},
	} {
		refused := p.run(t, append([]string{"family", "learn"}, c.args...)...)
		require.NotZero(t, refused.code, c.args)
		require.Contains(t, refused.output(), c.want)
	}
	require.NoFileExists(t, filepath.Join(configs, "families", "other.yaml"))
}

// reading is a passed check as a script leaves it.
func reading(name, subject string, v, u, low, high quantity.Value) event.Check {
	return event.Check(verdict.Check{Name: name, Subject: subject, Outcome: verdict.Pass, Reading: &v, Uncertainty: &u, Low: &low, High: &high})
}

func TestManyGoodUnitsTeachTheirSpreadAndOneTeachesRailsAndBleederToo(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	configs := ownConfigs(t, p)
	book, err := record.Open(t.Context(), filepath.Join(p.path("data"), "record.db"))
	require.NoError(t, err)
	var all []string
	for i := range verdict.FewestUnits {
		volts := quantity.Volts(15 + 0.01*float64(i))
		farads, ohms := quantity.Farads((950+float64(i))*1e-6), 9000+10*float64(i)
		// What unknown says, 10 kohm and 1000 uF within 90 % each, with 100 uF of the supply's own beside them.
		seconds, nominal := quantity.Seconds(ohms*float64(farads+100e-6)), 10e3*1100e-6
		name := fmt.Sprintf("run-%02d", i)
		journalled(t, book, name, fmt.Sprintf("X %d", i), "pass",
			reading("rail voltage", "driver", volts.Value(), quantity.Volts(0.01).Value(), quantity.Volts(12).Value(), quantity.Volts(18).Value()),
			reading("rail voltage", "feed of the control section", volts.Value(), quantity.Volts(0.01).Value(), quantity.Volts(12).Value(), quantity.Volts(18).Value()),
			reading("rail ripple", "driver", quantity.Volts(0.05).Value(), quantity.Volts(0.01).Value(), quantity.Volts(0).Value(), quantity.Volts(0.3).Value()),
			reading("capacitance", "bus", farads.Value(), quantity.Farads(20e-6).Value(), quantity.Farads(100e-6).Value(), quantity.Farads(1900e-6).Value()),
			reading("discharge", "bus", seconds.Value(), quantity.Seconds(0.1).Value(), quantity.Seconds(nominal*-0.8).Value(), quantity.Seconds(nominal*2.8).Value()))
		all = append(all, name)
	}
	require.NoError(t, book.Close())

	one := p.run(t, "family", "learn", all[0], "--name", "single")
	require.Zero(t, one.code, one.output())
	for _, told := range []string{"rail driver: 15 V to 15 V were seen", "ripple of rail driver: up to 50 mV was seen, 110 mV is allowed", "bleeder: 9 kΩ to 9 kΩ were seen",
		"stated room around it: limits from the spread of good units need 12 units, these are 1", "from 1 runs of unit X 0"} {
		require.Contains(t, one.output(), told)
	}
	require.NotContains(t, one.output(), "by the spread")

	many := p.run(t, append([]string{"family", "learn", "--name", "dozen"}, all...)...)
	require.Zero(t, many.code, many.output())
	for _, told := range []string{"rail driver: 15 V to 15.11 V were seen, 15.055 V within", "by the spread of 12 units", "from 12 runs of 12 units"} {
		require.Contains(t, many.output(), told)
	}
	require.NotContains(t, many.output(), "stated room")
	load := func(name string) *drive.Family {
		f, err := drive.LoadNamed([]string{filepath.Join(configs, "families")}, name)
		require.NoError(t, err)
		return f
	}
	require.Less(t, load("dozen").Rails["driver"].Within, load("single").Rails["driver"].Within)
	require.InDelta(t, 9055, float64(load("dozen").Bus.Bleeder), 5)
	valid := p.run(t, "validate", filepath.Join(configs, "families", "dozen.yaml"))
	require.Zero(t, valid.code, valid.output())
}
