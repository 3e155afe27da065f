package job

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/png"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/daemon/record"
)

func (s shelf) Positions(string) []string { return []string{"A.high", "A.low"} }

// shelf knows one family whose stages need these scripts.
type shelf map[string][]string

func (s shelf) InStage(_, stage string) (needed, beside []string, err error) {
	return s[stage], nil, nil
}

func (s shelf) Known(family string) error {
	if family != "heron" && family != "unknown" {
		return fmt.Errorf("unknown drive family %q", family)
	}
	return nil
}

var fullShelf = shelf{"cold": {"cold_checks"}, "rails": {"rails"}, "board": {"gate_sweep", "twitch"}, "fitted": {"first_power"}, "soak": {"soak"}}

// shop is a desk with a book, and what a bench would do at it.
type shop struct {
	*testing.T
	desk *Desk
	book *record.Book
	id   string
	runs int
}

func open(t *testing.T, s Shelf) *shop {
	book, err := record.Open(context.Background(), filepath.Join(t.TempDir(), "record.db"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, book.Close()) })
	desk := NewDesk(book, s)
	state, err := desk.Open(t.Context(), NewAct("Ann", Opened, Intake{Family: "heron", Unit: "H-0042", Symptom: "blown bridge"}))
	require.NoError(t, err)
	return &shop{t, desk, book, state.ID, 0}
}

func (s *shop) do(kind string, body any) (State, error) {
	return s.desk.Do(s.Context(), s.id, NewAct("Bo", kind, body))
}

func (s *shop) must(kind string, body any) State {
	s.Helper()
	state, err := s.do(kind, body)
	require.NoError(s, err)
	return state
}

// run puts a finished run into the record; seen is how many entries the job had when it began, -1 for all of now.
func (s *shop) run(script, stage, outcome string, seen int, simulated bool, found ...event.Finding) {
	s.Helper()
	if seen < 0 {
		state, err := s.desk.Show(s.Context(), s.id)
		require.NoError(s, err)
		seen = len(state.Entries)
	}
	s.runs++
	name := fmt.Sprintf("run-%03d", s.runs)
	at := time.Date(2026, 11, 25, 10, s.runs, 0, 0, time.UTC)
	hub := event.NewHub()
	events := hub.Subscribe(event.Lossless)
	bodies := []event.Body{event.RunStarted{Script: script + ".star", Stage: stage, Family: "heron", Unit: "H-0042", Job: s.id, JobEntries: seen, Simulated: simulated}}
	for _, f := range found {
		bodies = append(bodies, f)
	}
	for _, body := range append(bodies, event.RunEnded{Outcome: outcome}) {
		hub.Emit(event.Event{At: at, Bench: "quay", Run: name, Body: body})
	}
	journal, err := record.Create(s.TempDir(), name)
	require.NoError(s, err)
	require.NoError(s, journal.Keep(s.Context(), name, events))
	require.NoError(s, journal.Close())
	require.NoError(s, s.desk.Take(s.Context(), journal.Path()))
}

func (s *shop) permit(stage string) error {
	_, err := s.desk.Permit(s.Context(), s.id, stage)
	return err
}

func (s *shop) passTo(stage string) {
	s.Helper()
	for _, step := range []struct{ script, stage string }{{"cold_checks", "cold"}, {"rails", "rails"}, {"gate_sweep", "board"}, {"twitch", "board"}} {
		if step.stage == stage {
			return
		}
		s.run(step.script, step.stage, "pass", -1, false)
	}
}

var goodFitting = Fitting{
	Devices:    []Device{{Position: "A.high", GateSource: 10e3}, {Position: "A.low", GateSource: 9.9e3}},
	Insulation: 200e6, Torque: "1.2 N m", Paste: "silicone pad", Electrolytics: "none changed", StandInsOut: true,
}

func TestAWholeJobInItsOrder(t *testing.T) {
	s := open(t, fullShelf)
	for _, locked := range []string{"rails", "board", "fitted", "soak"} {
		require.Error(t, s.permit(locked), locked)
	}
	require.NoError(t, s.permit("cold"))
	s.run("cold_checks", "cold", "pass", -1, false)
	require.NoError(t, s.permit("rails"))
	require.ErrorContains(t, s.permit("board"), "rails: rails has not been run")
	s.run("rails", "rails", "pass", -1, false)
	require.NoError(t, s.permit("board"))
	require.NoError(t, s.desk.CountStandIn(t.Context(), s.id, "Bo", "gate_capacitors", 6, "at the device positions"))
	s.run("gate_sweep", "board", "pass", -1, false)
	s.run("twitch", "board", "pass", -1, false)
	_, err := s.do(Released, Release{})
	require.ErrorContains(t, err, "6 of stand-in gate capacitors still in the drive")
	s.must(StandIn, Move{Name: "gate_capacitors", Count: -6})
	require.ErrorContains(t, s.permit("fitted"), "no release to fit")
	s.must(Released, Release{})
	require.ErrorContains(t, s.permit("fitted"), "no fitting record")
	s.must(Fitted, goodFitting)
	require.NoError(t, s.permit("fitted"))
	require.ErrorContains(t, s.permit("board"), "power devices are fitted")
	require.ErrorContains(t, s.permit("soak"), "fitted: first_power has not been run")
	s.run("first_power", "fitted", "pass", -1, false)
	require.NoError(t, s.permit("soak"))
	s.run("soak", "soak", "pass", -1, false)
	state := s.must(Closed, End{Outcome: "repaired", Cause: "gate driver of A.high"})
	for _, stage := range state.Stages {
		require.True(t, stage.Done, "%+v", stage)
	}
	require.Equal(t, "gate driver of A.high", state.Cause)
	require.ErrorContains(t, s.permit("cold"), "the job is closed")
	_, err = s.do(Noted, Remark{Text: "late"})
	require.ErrorIs(t, err, ErrAct)
	s.must(Reopened, Remark{Text: "came back"})
	require.NoError(t, s.permit("soak"))
	n, err := s.desk.Verify(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, n)
}

func TestWhatKeepsARelease(t *testing.T) {
	for name, tt := range map[string]struct {
		shelf shelf
		do    func(*shop)
		want  string
	}{
		"nothing was run": {fullShelf, func(*shop) {}, "gate_sweep has not been run"},
		"a needed script failed last": {fullShelf, func(s *shop) { s.passTo(""); s.run("twitch", "board", "fail", -1, false) },
			"the latest twitch came out fail"},
		"undecided is not passed": {fullShelf, func(s *shop) { s.passTo(""); s.run("twitch", "board", "undecided", -1, false) },
			"the latest twitch came out undecided"},
		"cut off is not passed": {fullShelf, func(s *shop) { s.passTo(""); s.run("twitch", "board", "interrupted", -1, false) },
			"the latest twitch came out interrupted"},
		"a part was replaced after": {fullShelf, func(s *shop) { s.passTo(""); s.must(Replaced, Replacement{Part: "driver", Quantity: 1}) },
			"gate_sweep has not been run since entry 2 (replaced)"},
		"a run that had begun before the replacement": {fullShelf, func(s *shop) {
			s.must(Replaced, Replacement{Part: "driver", Quantity: 1})
			s.passTo("board")
			s.run("gate_sweep", "board", "pass", 1, false)
		}, "gate_sweep has not been run since entry 2"},
		"simulated beside real": {fullShelf, func(s *shop) {
			s.passTo("board")
			s.run("gate_sweep", "board", "pass", -1, true)
			s.run("twitch", "board", "pass", -1, true)
		}, "gate_sweep has not been run"},
		"a script that nobody asked for found something": {fullShelf, func(s *shop) { s.passTo(""); s.run("tap_test", "board", "fail", -1, false) },
			"board: the latest tap_test came out fail (run run-005); the family does not ask for it, but what it found stands"},
		"a script that nobody asked for tripped": {fullShelf, func(s *shop) { s.passTo(""); s.run("tap_test", "board", "tripped", -1, false) },
			"board: the latest tap_test came out tripped"},
		"rails missing":       {fullShelf, func(s *shop) { s.run("cold_checks", "cold", "pass", -1, false) }, "rails: rails has not been run"},
		"no script proves it": {shelf{}, func(*shop) {}, "nothing is proven"},
	} {
		t.Run(name, func(t *testing.T) {
			s := open(t, tt.shelf)
			tt.do(s)
			_, err := s.do(Released, Release{})
			require.ErrorContains(t, err, tt.want)
			require.ErrorIs(t, err, ErrAct)
			state := s.must(Released, Release{Override: "the customer takes the risk"})
			var r Release
			require.NoError(t, json.Unmarshal(state.Entries[len(state.Entries)-1].Body, &r))
			require.Contains(t, fmt.Sprint(r.Missing), tt.want, "the override says what it went on without")
		})
	}
}

// What is not asked for keeps no release unless it found something, and only until it was run again or something was replaced.
func TestWhatNobodyAskedForKeepsNoReleaseForLong(t *testing.T) {
	for name, then := range map[string]func(*shop){
		"undecided": func(s *shop) { s.run("tap_test", "board", "undecided", -1, false) },
		"run again": func(s *shop) {
			s.run("tap_test", "board", "fail", -1, false)
			s.run("tap_test", "board", "pass", -1, false)
		},
		"replaced and the needed ones run again": func(s *shop) {
			s.run("tap_test", "board", "fail", -1, false)
			s.must(Replaced, Replacement{Part: "Hall connector", Quantity: 1})
			s.passTo("")
		},
		"of another stage": func(s *shop) { s.run("soak", "soak", "fail", -1, false) },
	} {
		t.Run(name, func(t *testing.T) {
			s := open(t, fullShelf)
			s.passTo("")
			then(s)
			s.must(Released, Release{})
		})
	}
}

func TestAFailedColdCheckIsNoObstacleOnceSomethingWasReplaced(t *testing.T) {
	s := open(t, fullShelf)
	s.run("cold_checks", "cold", "fail", -1, false)
	require.ErrorContains(t, s.permit("rails"), "nothing was replaced since")
	s.must(Replaced, Replacement{Part: "gate driver of A.high", Quantity: 1})
	require.NoError(t, s.permit("rails"))
	s.run("cold_checks", "cold", "tripped", -1, false)
	require.ErrorContains(t, s.permit("rails"), "the latest cold_checks was tripped")
	s.must(Override, Overridden{Stage: "cold", Reason: "meter at calibration"})
	require.NoError(t, s.permit("rails"))
	for _, stage := range []string{"board", "soak", "lunch"} {
		_, err := s.do(Override, Overridden{Stage: stage, Reason: "because"})
		require.ErrorIs(t, err, ErrAct, stage)
	}
}

func TestAReleaseIsVoidOnceSomethingIsReplacedOrTakenOut(t *testing.T) {
	for _, act := range []struct {
		kind string
		body any
	}{{Replaced, Replacement{Part: "optocoupler", Quantity: 1}}, {Removed, Remark{}}} {
		s := open(t, fullShelf)
		s.passTo("")
		s.must(Released, Release{})
		s.must(Fitted, goodFitting)
		require.NoError(t, s.permit("fitted"))
		s.must(act.kind, act.body)
		require.ErrorContains(t, s.permit("fitted"), "no release to fit that still counts")
		_, err := s.do(Released, Release{})
		require.ErrorContains(t, err, "gate_sweep has not been run since")
	}
}

func TestWhatAFittingRecordIsMissing(t *testing.T) {
	for name, tt := range map[string]struct {
		change func(*Fitting)
		want   string
	}{
		"insulation": {func(f *Fitting) { f.Insulation = 1e6 }, "tab insulation is 1 MΩ"},
		"no reading": {func(f *Fitting) { f.Insulation = 0 }, "tab insulation is 0 Ω"},
		"torque":     {func(f *Fitting) { f.Torque = " " }, "torque"},
		"paste":      {func(f *Fitting) { f.Paste = "" }, "paste"},
		"polarity":   {func(f *Fitting) { f.Electrolytics = "" }, "polarity"},
		"not looked": {func(f *Fitting) { f.StandInsOut = false }, "nobody has looked"},
		"no device":  {func(f *Fitting) { f.Devices = nil }, "no new device"},
		"a position": {func(f *Fitting) { f.Devices = f.Devices[:1] }, "tested without power devices, and no new device is named for A.low"},
		"gate shorted": {func(f *Fitting) { f.Devices = []Device{{Position: "A.low", GateSource: 12}} },
			"gate to source of A.low measures 12 Ω"},
		"resistor missing": {func(f *Fitting) { f.Devices = []Device{{Position: "A.low", GateSource: 20e6}} }, "gate to source of A.low measures 20 MΩ"},
	} {
		t.Run(name, func(t *testing.T) {
			s := open(t, fullShelf)
			_, err := s.do(Fitted, goodFitting)
			require.ErrorContains(t, err, "no release to fit")
			s.passTo("")
			s.must(Released, Release{})
			f := goodFitting
			tt.change(&f)
			_, err = s.do(Fitted, f)
			require.ErrorContains(t, err, tt.want)
			require.Error(t, s.permit("fitted"))
			f.Override = "trial"
			s.must(Fitted, f)
			require.NoError(t, s.permit("fitted"))
		})
	}
}

// A stand-in that is counted in after the fitting record locks the fitted stage again.
func TestAStandInLocksTheFittedStage(t *testing.T) {
	s := open(t, fullShelf)
	s.passTo("")
	s.must(Released, Release{})
	s.must(StandIn, Move{Name: "jumper", Count: 1, Where: "phase A to bus negative"})
	_, err := s.do(Fitted, goodFitting)
	require.ErrorContains(t, err, "1 of stand-in jumper still in the drive")
	s.must(StandIn, Move{Name: "jumper", Count: -1})
	s.must(Fitted, goodFitting)
	s.must(StandIn, Move{Name: "jumper", Count: 1, Where: "phase A to bus negative"})
	require.ErrorContains(t, s.permit("fitted"), "1 of stand-in jumper")
	_, err = s.do(Closed, End{Outcome: "repaired"})
	require.ErrorContains(t, err, "1 of stand-in jumper", "no drive leaves with a stand-in")
}

func TestBadActs(t *testing.T) {
	s := open(t, fullShelf)
	for name, tt := range map[string]struct {
		kind string
		body any
		want string
	}{
		"an empty note":                   {Noted, Remark{}, "empty note"},
		"a stand-in nobody finds again":   {StandIn, Move{Name: "jumper", Count: 1}, "say where it was put"},
		"more out than in":                {StandIn, Move{Name: "jumper", Count: -1}, "0 went in"},
		"a stand-in without a name":       {StandIn, Move{Count: 1, Where: "x"}, "has a name"},
		"a replacement of nothing":        {Replaced, Replacement{}, "names the part"},
		"none replaced":                   {Replaced, Replacement{Part: "driver"}, "at least 1"},
		"an override without a reason":    {Override, Overridden{Stage: "cold"}, "carries a reason"},
		"an end that is none":             {Closed, End{Outcome: "tired"}, `outcome "tired"`},
		"opening what is open":            {Reopened, Remark{Text: "x"}, "is open"},
		"a kind that is none":             {"lunch", Remark{}, `"lunch"`},
		"a body of another act":           {Noted, Move{Name: "jumper", Count: 1}, "unknown field"},
		"an intake in the middle of it":   {Opened, Intake{Unit: "x"}, `"opened"`},
		"a note longer than any note was": {Noted, json.RawMessage(`{"text":`), ""},
	} {
		t.Run(name, func(t *testing.T) {
			if raw, ok := tt.body.(json.RawMessage); ok {
				_, err := s.desk.Do(t.Context(), s.id, Act{By: "Bo", Kind: tt.kind, Body: raw})
				require.ErrorIs(t, err, ErrAct)
				return
			}
			_, err := s.do(tt.kind, tt.body)
			require.ErrorIs(t, err, ErrAct)
			require.ErrorContains(t, err, tt.want)
		})
	}
	_, err := s.desk.Do(t.Context(), s.id, NewAct(" ", Noted, Remark{Text: "x"}))
	require.ErrorContains(t, err, "nobody's name")
	_, err = s.desk.Open(t.Context(), NewAct("Ann", Opened, Intake{Family: "hern", Unit: "H-1"}))
	require.ErrorContains(t, err, "unknown drive family")
	_, err = s.desk.Open(t.Context(), NewAct("Ann", Opened, Intake{Family: "heron"}))
	require.ErrorContains(t, err, "no unit")
	state, err := s.desk.Show(t.Context(), s.id)
	require.NoError(t, err)
	require.Len(t, state.Entries, 1, "nothing of this was written")
}

func TestPhotos(t *testing.T) {
	s := open(t, fullShelf)
	var good bytes.Buffer
	require.NoError(t, png.Encode(&good, image.NewGray(image.Rect(0, 0, 3, 2))))
	state, err := s.desk.Do(t.Context(), s.id, NewAct("Bo", Noted, Remark{Text: "the bridge"}, Upload{"bridge.png", good.Bytes()}))
	require.NoError(t, err)
	var r Remark
	require.NoError(t, json.Unmarshal(state.Entries[1].Body, &r))
	require.Equal(t, good.Len(), r.Photos[0].Bytes)
	p, err := s.book.Photo(t.Context(), r.Photos[0].SHA256)
	require.NoError(t, err)
	require.Equal(t, record.NewPhoto("image/png", good.Bytes()), p)
	for name, tt := range map[string]struct {
		data []byte
		want string
	}{
		"a text":      {[]byte("hello"), "is no JPEG or PNG picture"},
		"cut short":   {good.Bytes()[:20], "is no JPEG or PNG picture"},
		"empty":       {nil, "is no JPEG or PNG picture"},
		"far too big": {make([]byte, LargestPhoto+1), "more than the 20 MB"},
	} {
		_, err := s.desk.Do(t.Context(), s.id, NewAct("Bo", Noted, Remark{}, Upload{"bad.png", tt.data}))
		require.ErrorContains(t, err, "photo bad.png", name)
		require.ErrorContains(t, err, tt.want, name)
	}
}

func TestTheTagSaysWhatMustComeOut(t *testing.T) {
	s := open(t, fullShelf)
	state := s.must(StandIn, Move{Name: "gate_capacitors", Count: 6, Where: "at the device positions"})
	data, err := json.Marshal(state)
	require.NoError(t, err)
	var far State // as it arrives over the API
	require.NoError(t, json.Unmarshal(data, &far))
	for _, of := range []State{state, far} {
		var out bytes.Buffer
		require.NoError(t, Tag(&out, of))
		require.Contains(t, out.String(), "STAND-INS FITTED")
		require.Contains(t, out.String(), " 6  gate capacitors")
		require.Contains(t, out.String(), "NOT RELEASED")
	}
}

// A head that was changed behind the entries' back shows.
func TestAHeadThatIsNotItsEntriesShows(t *testing.T) {
	s := open(t, fullShelf)
	state := s.must(Closed, End{Outcome: "not repaired"})
	_, err := s.desk.Verify(t.Context())
	require.NoError(t, err)
	state.Job.Outcome = "repaired"
	_, err = s.book.Append(t.Context(), state.Job, entryOf("Eve", Override, Overridden{}), "")
	require.NoError(t, err)
	_, err = s.desk.Verify(t.Context())
	require.ErrorContains(t, err, "its head was changed")
}

func TestAnExportIsTakenInOnceElsewhere(t *testing.T) {
	s := open(t, fullShelf)
	s.passTo("")
	s.must(Released, Release{})
	s.must(Fitted, goodFitting)
	folder := filepath.Join(t.TempDir(), "export")
	require.NoError(t, s.book.Export(t.Context(), s.id, folder))
	there := open(t, fullShelf)
	for times, want := range []int{4, 0} {
		j, entries, runs, err := there.book.Import(t.Context(), folder)
		require.NoError(t, err)
		require.Equal(t, s.id, j.ID)
		require.Equal(t, want, runs)
		require.Equal(t, []int{3, 0}[times], entries)
	}
	want, err := s.desk.Show(t.Context(), s.id)
	require.NoError(t, err)
	got, err := there.desk.Show(t.Context(), s.id)
	require.NoError(t, err)
	for i := range want.Runs {
		got.Runs[i].Number = want.Runs[i].Number // the place in its own book
	}
	require.Equal(t, want, got)
	_, err = there.book.Verify(t.Context())
	require.NoError(t, err)
	s.must(Noted, Remark{Text: "here"})
	_, err = there.desk.Do(t.Context(), s.id, NewAct("Cy", Noted, Remark{Text: "there"}))
	require.NoError(t, err)
	second := filepath.Join(t.TempDir(), "export")
	require.NoError(t, s.book.Export(t.Context(), s.id, second))
	_, _, _, err = there.book.Import(t.Context(), second)
	require.ErrorContains(t, err, "continued on both machines")
}
