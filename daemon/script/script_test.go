package script

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

const head = `
title = "A trial"
stage = "board"
roles = ["bus"]
checks = ["quiescent current"]
def energises(drive):
    return [supply("bus", highest = 40 * V, limit = 100 * mA)]
`

func heron(t *testing.T) *drive.Family {
	t.Helper()
	f, err := drive.Load("../../configs/families/heron.yaml")
	require.NoError(t, err)
	return f
}

// try runs a body of def run(drive).
func try(t *testing.T, rig *fakeRig, body string) (Result, error) {
	t.Helper()
	s, err := Parse("trial.star", []byte(head+"def run(drive):\n    "+strings.ReplaceAll(strings.TrimSpace(body), "\n", "\n    ")+"\n"))
	require.NoError(t, err)
	if rig.highest == 0 {
		rig.highest = 100
	}
	slot := &freeSlot{}
	result, err := Run(t.Context(), s, heron(t), rig, slot)
	require.Zero(t, slot.held, "the computing slot was not given back")
	return result, err
}

func TestQuantitiesInScripts(t *testing.T) {
	for expression, want := range map[string]string{
		`72 * V`:                          "72 V",
		`350 * mA`:                        "350 mA",
		`1.2 * us`:                        "1.2 µs",
		`5.11 * ohm`:                      "5.11 Ω",
		`18 * kHz`:                        "18 kHz",
		`10 * V * (2 * A)`:                "20 W",
		`10 * V / (2 * A)`:                "5 Ω",
		`470 * uF * (10 * V) / (0.1 * s)`: "47 mA",
		`90 * V / (45 * V)`:               "2.0",
		`72 * V * (3 * percent)`:          "2.16 V",
		`min(90 * V, 72 * V)`:             "72 V",
		`magnitude(-8 * V)`:               "8 V",
		`72 * V > 350 * mV`:               "True",
		`3 / (8 * kHz)`:                   "375 µs",
		`-(5 * V) + 2 * V`:                "-3 V",
	} {
		rig := &fakeRig{}
		_, err := try(t, rig, `note("%s" % (`+expression+`))`)
		require.NoError(t, err, expression)
		require.Equal(t, []event.Body{event.Note{Text: want}}, rig.events, expression)
	}
}

func TestMistakesNameFileLineAndWhat(t *testing.T) {
	// head has 7 lines and a newline before them; the body's first line is line 9.
	tests := []struct{ name, body, want string }{
		{"volts and amperes", "x = 1\ny = 5 * V + 1 * A", "trial.star:10:15: cannot add amperes to volts"},
		{"a unit left out", "bus.set(40)", `got the bare number 40, want a quantity; write a unit, for example 40 * V`},
		{"the wrong unit", "bus.set(40 * mA)", "bus.set: got 40 mA, want a quantity in V"},
		{"divided by zero", "x = 5 * V / (0 * A)", "divided by zero"},
		{"a reading against another unit", `check("quiescent current", "bus", 5 * V, high = 1 * A)`, "a reading in V against 1 A"},
		{"nothing to compare", `check("quiescent current", "bus")`, "give a reading with a limit, or ok"},
		{"a reading without a limit", `check("quiescent current", "bus", 5 * mA)`, "give a reading with a limit, or ok"},
		{"no such reading", `bus.voltage()`, "bus.voltage is not watched"},
		{"compared with another unit", `x = 5 * V > 1 * A`, "cannot compare amperes with volts"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			_, err := try(t, &fakeRig{}, test.body)
			require.ErrorContains(t, err, test.want)
			require.Regexp(t, `^trial\.star:\d+:\d+: `, err.Error())
		})
	}
}

func TestAScriptThatIsNotWellFormedIsRefused(t *testing.T) {
	tests := []struct{ name, source, want string }{
		{"nothing stated", "x = 1", `title is missing: state title = "..."`},
		{"unknown stage", strings.Replace(head, `"board"`, `"bord"`, 1) + "def run(drive):\n    pass\n", `stage "bord" is none of`},
		{"no run", head, "def run(drive) is missing"},
		{"a name that is not there", head + "def run(drive):\n    bos.set(5 * V)\n", "trial.star:9:5: undefined: bos"},
		{"a syntax error", head + "def run(drive)\n    pass\n", "trial.star:9:1: got newline, want ':'"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			_, err := Parse("trial.star", []byte(test.source))
			require.ErrorContains(t, err, test.want)
		})
	}
}

func TestASetpointPastTheLimitStopsTheRunBeforeAnythingIsTouched(t *testing.T) {
	rig := &fakeRig{highest: 30}
	_, err := try(t, rig, `bus.on(10 * V)`)
	require.EqualError(t, err, "trial.star: bus: 40 V is above 30 V")
	require.Empty(t, rig.did)
}

func TestAConstantSetpointPastTheLimitIsRefusedBeforeAnythingIsTouched(t *testing.T) {
	for body, want := range map[string]string{
		"bus.on(10 * V)\nbus.set(400 * V)":                    "trial.star:10:5: bus: 400 V is above 100 V",
		"bus.on(10 * V)\ncontrol.on(voltage = 0.5 * V)":       "",
		"bus.on(10 * V)\nif False:\n    bus.set(120000 * mV)": "trial.star:11:9: bus: 120 V is above 100 V",
	} {
		rig := &fakeRig{}
		_, err := try(t, rig, body)
		if want == "" {
			require.NoError(t, err)
			continue
		}
		require.EqualError(t, err, want)
		require.Empty(t, rig.did, body)
	}
}

func TestChecksAreDecidedByTheReadingsOwnUncertainty(t *testing.T) {
	rig := &fakeRig{next: map[string]Reading{"bus.current": {Value: quantity.Amperes(0.0285).Value(), Uncertainty: 0.001, Instrument: "bus"}}}
	result, err := try(t, rig, `
check("quiescent current", "bus", bus.current(), low = 20 * mA, high = 28 * mA, part = "bleeder")
check("quiescent current", "bus", bus.current(), low = 20 * mA, high = 27 * mA, part = "bleeder")
check("quiescent current", "bus", bus.current(), low = 20 * mA, high = 30 * mA, part = "bleeder")
`)
	require.NoError(t, err)
	var outcomes []verdict.Outcome
	for _, c := range result.Checks {
		outcomes = append(outcomes, c.Outcome)
	}
	require.Equal(t, []verdict.Outcome{verdict.Undecided, verdict.Fail, verdict.Pass}, outcomes)
	require.Equal(t, verdict.Fail, result.Outcome)
	require.Equal(t, "bleeder", result.Checks[1].Part)
	require.Empty(t, result.Checks[2].Part, "a passed check blames nobody")
	require.Equal(t, "bus", result.Checks[2].Instrument)
}

func TestANeededCheckThatIsNotMadeIsNoPass(t *testing.T) {
	result, err := try(t, &fakeRig{}, `pass`)
	require.NoError(t, err)
	require.Equal(t, verdict.Undecided, result.Outcome)
	require.Contains(t, strings.Join(result.Reasons, "; "), "quiescent current")
}

func TestATripsReasonStandsInTheError(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := Parse("trial.star", []byte(head+"def run(drive):\n    bus.voltage()\n"))
		require.NoError(t, err)
		ctx, stop := context.WithCancelCause(t.Context())
		trip := errors.New("tripped, over-voltage: bus.voltage is 101 V")
		time.AfterFunc(time.Second, func() { stop(trip) })
		_, err = Run(ctx, s, heron(t), &fakeRig{block: true, highest: 100}, &freeSlot{})
		require.ErrorIs(t, err, trip)
		require.ErrorContains(t, err, "trial.star:9:")
	})
}

func TestAWaitEndsWithTheRun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := Parse("trial.star", []byte(head+"def run(drive):\n    wait(3600 * s)\n"))
		require.NoError(t, err)
		ctx, stop := context.WithCancelCause(t.Context())
		time.AfterFunc(time.Second, func() { stop(errors.New("hands in")) })
		began := time.Now()
		_, err = Run(ctx, s, heron(t), &fakeRig{highest: 100}, &freeSlot{})
		require.ErrorContains(t, err, "hands in")
		require.Equal(t, time.Second, time.Since(began))
	})
}

func TestAScriptThatOnlyComputesEnds(t *testing.T) {
	s, err := Parse("trial.star", []byte(head+"def run(drive):\n    for i in range(1000000000):\n        x = i\n"))
	require.NoError(t, err)
	ctx, stop := context.WithCancelCause(t.Context())
	slot := &stoppingSlot{after: 3, stop: func() { stop(errors.New("stopped by a person")) }}
	_, err = Run(ctx, s, heron(t), &fakeRig{highest: 100}, slot)
	require.ErrorContains(t, err, "stopped by a person")
	require.Greater(t, slot.given, 3, "a computing script has to give its slot back again and again")
}

// stoppingSlot ends the run after the slot was given back some times.
type stoppingSlot struct {
	given, after int
	stop         func()
}

func (s *stoppingSlot) Take(context.Context) error { return nil }
func (s *stoppingSlot) Give() {
	if s.given++; s.given == s.after {
		s.stop()
	}
}

func TestACheckIsDecidedByTheFamilysRuleAndSaysWhich(t *testing.T) {
	data, err := os.ReadFile("../../configs/families/heron.yaml")
	require.NoError(t, err)
	for decision, want := range map[string]struct {
		outcome verdict.Outcome
		rule    string
	}{
		"simple":                  {verdict.Pass, ""},
		"guarded":                 {verdict.Undecided, "guarded by its uncertainty"},
		"{false_acceptance: 1 %}": {verdict.Undecided, "false acceptance at most 1 %"},
	} {
		f, err := drive.Decode("heron.yaml", []byte(strings.Replace(string(data), "decision: simple", "decision: "+decision, 1)))
		require.NoError(t, err)
		s, err := Parse("trial.star", []byte(head+"def run(drive):\n    check('bus steady', 'bus', 9.9 * V, high = 10 * V, uncertainty = 0.2 * V)\n"))
		require.NoError(t, err)
		result, err := Run(t.Context(), s, f, &fakeRig{highest: 100}, &freeSlot{})
		require.NoError(t, err)
		require.Len(t, result.Checks, 1)
		require.Equal(t, want.outcome, result.Checks[0].Outcome, decision)
		require.Equal(t, want.rule, result.Checks[0].Rule, decision)
	}
}

func TestStopEndsTheRun(t *testing.T) {
	_, err := try(t, &fakeRig{}, `stop("the bus is shorted")`)
	require.ErrorIs(t, err, ErrStopped)
	require.ErrorContains(t, err, "the bus is shorted")
}

func TestTheFamilysDataStandUnderTheFilesOwnNames(t *testing.T) {
	rig := &fakeRig{}
	_, err := try(t, rig, `
note("%s %s %s" % (drive.bus.reduced, drive.gate.on.low, drive.stage.current_limit))
note("%s %s" % (drive.rails["logic"].nominal, drive.feed.role))
note("%s" % drive.walk("forward"))
note("%s" % drive.expected(4, "forward")["A.high"])
note("%s" % drive.permissives["enable"].normal)
`)
	require.NoError(t, err)
	require.Equal(t, []event.Body{
		event.Note{Text: "90 V 13.5 V 150 mA"}, event.Note{Text: "5 V control"}, event.Note{Text: "[4, 6, 2, 3, 1, 5]"},
		event.Note{Text: "chop"}, event.Note{Text: "closed"},
	}, rig.events)
}

func TestEveryScriptReadsAndStatesItself(t *testing.T) {
	files, err := filepath.Glob("../../scripts/*.star")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		s, err := Read(file)
		require.NoError(t, err)
		for _, check := range s.Checks {
			require.Contains(t, drive.Checks(), check, file)
		}
	}
}

func TestFindNamesWhatThereIs(t *testing.T) {
	path, err := Find([]string{"../../scripts"}, "bus_ramp")
	require.NoError(t, err)
	require.Equal(t, "../../scripts/bus_ramp.star", path)
	_, err = Find([]string{"../../scripts"}, "bus_rmp")
	require.ErrorContains(t, err, "script bus_rmp: there is no such script; there are bus_ramp, ")
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(head + "def run(drive):\n    pass\n"))
	if source, err := os.ReadFile("../../scripts/rails.star"); err == nil {
		f.Add(source)
	}
	f.Fuzz(func(t *testing.T, source []byte) {
		s, err := Parse("fuzz.star", source)
		if err == nil && (s.Title == "" || s.Stage == "" || s.SHA256 == "") {
			t.Fatalf("a script without title or stage was taken: %q", source)
		}
	})
}

func TestLinesAndSharesInScripts(t *testing.T) {
	for expression, want := range map[string]string{
		`fit_response([1 * V, 2 * V, 4 * V], [0.25, 0.5, 1.0]).gain * (2 * V)`:    "0.5",
		`fit_response([2 * V, 3 * V, 4 * V], [1 * A, 2 * A, 3 * A]).zero`:         "1 V",
		`fit_response([0 * s, 1 * s, 2 * s], [5 * V, 5.5 * V, 6 * V]).gain`:       "0.5 V·s^-1",
		`fit_response([-1 * V, 0 * V, 1 * V], [-1 * V, 0.3 * V, 1 * V]).worst`:    "200 mV",
		`fit_response([-1 * V, 0 * V, 1 * V], [-1 * V, 0.3 * V, 1 * V]).worst_at`: "0 V",
		`share(0.985)`: "98.5 %",
	} {
		rig := &fakeRig{}
		_, err := try(t, rig, `note("%s" % (`+expression+`))`)
		require.NoError(t, err, expression)
		require.Equal(t, []event.Body{event.Note{Text: want}}, rig.events, expression)
	}
	for body, want := range map[string]string{
		`fit_response([1 * V, 2 * V], [1, 2])`:           "a line needs at least 3",
		`fit_response([1 * V, 2 * A, 3 * V], [1, 2, 3])`: "2 A stands among quantities in V",
		`fit_response(["a", "b", "c"], [1, 2, 3])`:       "got string, want quantities",
		`share(2 * V)`: "2 V is no number without unit",
	} {
		_, err := try(t, &fakeRig{}, body)
		require.ErrorContains(t, err, want, body)
	}
}

func TestACheckCarriesTheBudgetOfItsReading(t *testing.T) {
	rig := &fakeRig{next: map[string]Reading{"bus.voltage": {Value: quantity.Volts(10).Value(), Uncertainty: 0.1, Instrument: "bus", Accuracy: "1 % of reading"}}}
	result, err := try(t, rig, `
v = bus.voltage()
check("a", "bus", v, high = 12 * V)
check("b", "bus", v, high = 12 * V, uncertainty = 0.5 * V)
check("c", "bus", v * 2, high = 30 * V, uncertainty = 0.3 * V)
`)
	require.NoError(t, err)
	for i, want := range []struct {
		parts []string
		u     float64
	}{
		{[]string{"accuracy of bus (1 % of reading)"}, 0.1},
		{[]string{"accuracy of bus (1 % of reading)", "what the script adds"}, 0.5},
		{[]string{"accuracy of bus (1 % of reading)", "what the script adds"}, 0.3}, // 0.2 V are the reading's, twice
	} {
		k := result.Checks[i]
		var names []string
		for _, p := range k.Budget.Parts {
			names = append(names, p.Name)
		}
		require.Equal(t, want.parts, names)
		u, _ := k.Budget.Expanded()
		require.InDelta(t, want.u, u, 1e-12, "the parts make up what the check was decided by")
		require.InDelta(t, want.u, k.Uncertainty.Number, 1e-12)
	}
}
