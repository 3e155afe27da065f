package job

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/record"
	"benchwarden/daemon/verdict"
)

// State is a job as its entries and runs make it.
type State struct {
	record.Job
	Intake   Intake         `json:"intake"`
	Entries  []record.Entry `json:"history"`
	Runs     []record.Head  `json:"runs"`
	StandIns map[string]int `json:"stand_ins"` // what is in the drive now, by name
	Stages   []Stage        `json:"stages"`    // in the order of the job
	// Proposals are those of the latest cold checks.
	Proposals []Proposal `json:"proposals,omitempty"`

	positions []string // of the family's power devices
	void      int      // the last entry after which earlier runs, releases and fittings no longer count
	released  int      // the release that counts, 0: none
	fitted    int      // the fitting record that counts, 0: none
	skipped   map[string]Overridden
	needed    map[string]needed
}

// The two decisions among the stages.
const (
	released = "release"
	fitting  = "fitting"
)

// Stage is how far one step of the job is.
type Stage struct {
	Name string   `json:"stage"`
	Done bool     `json:"done"`
	None bool     `json:"none,omitempty"`    // no script makes a check that the family lists for it: nothing was shown, nothing is in the way
	Text string   `json:"text,omitempty"`    // how, where it is done
	Open []string `json:"missing,omitempty"` // what is missing, where it is not
	// Beside are the other scripts of the stage: nobody has to run them, but what they find stands.
	Beside []string `json:"beside,omitempty"`
}

type needed struct {
	scripts, beside []string
	err             error
}

// readState folds entries and runs with what the latter found.
func readState(j record.Job, entries []record.Entry, runs []record.Head, shelf Shelf, findings func(run string) ([]event.Finding, error)) (State, error) {
	s := State{Job: j, Entries: entries, Runs: runs, StandIns: map[string]int{}, skipped: map[string]Overridden{}, needed: map[string]needed{}}
	for _, e := range entries {
		if err := s.take(e); err != nil {
			return s, fmt.Errorf("job %s, entry %d (%s): %w", j.ID, e.N, e.Kind, err)
		}
	}
	for _, stage := range []drive.Stage{drive.Cold, drive.Rails, drive.Board, drive.Fitted, drive.Soak} {
		scripts, beside, err := shelf.InStage(j.Family, string(stage))
		s.needed[string(stage)] = needed{scripts, beside, err}
	}
	s.Stages, s.positions = s.stages(), shelf.Positions(j.Family)
	var err error
	s.Proposals, err = s.proposals(findings)
	return s, err
}

func (s *State) take(e record.Entry) error {
	switch e.Kind {
	case Opened:
		return json.Unmarshal(e.Body, &s.Intake)
	case StandIn:
		var m Move
		if err := json.Unmarshal(e.Body, &m); err != nil {
			return err
		}
		s.StandIns[m.Name] += m.Count
		if s.StandIns[m.Name] == 0 {
			delete(s.StandIns, m.Name)
		}
	case Override:
		var o Overridden
		if err := json.Unmarshal(e.Body, &o); err != nil {
			return err
		}
		s.skipped[o.Stage] = o
	case Replaced, Removed:
		s.void, s.released, s.fitted = e.N, 0, 0
		clear(s.skipped)
	case Released:
		s.released, s.fitted = e.N, 0
	case Fitted:
		s.fitted = e.N
		delete(s.skipped, string(drive.Fitted))
	}
	return nil
}

// latest is a script's latest run that counts: begun after the given entry. Where a job has a run on real instruments,
// simulated runs prove nothing about it.
func (s *State) latest(script string, after int) (record.Head, bool) {
	real := slices.ContainsFunc(s.Runs, func(h record.Head) bool { return !h.Simulated })
	for _, h := range slices.Backward(s.Runs) {
		if h.Script == script && h.Seen >= after && !(real && h.Simulated) {
			return h, true
		}
	}
	return record.Head{}, false
}

// passed lists what keeps a stage from being passed: of each needed script the latest run that began after an entry counts.
func (s *State) passed(stage drive.Stage, after int) (runs, open []string) {
	n := s.needed[string(stage)]
	if n.err != nil {
		return nil, []string{n.err.Error()}
	}
	for _, script := range n.scripts {
		h, ok := s.latest(script, after)
		switch {
		case !ok && after > 0:
			open = append(open, fmt.Sprintf("%s has not been run since entry %d (%s)", script, after, s.Entries[after-1].Kind))
		case !ok:
			open = append(open, script+" has not been run")
		case h.Outcome != string(verdict.Pass):
			open = append(open, fmt.Sprintf("the latest %s came out %s (run %s)", script, h.Outcome, h.Name))
		default:
			runs = append(runs, h.Name)
		}
	}
	return runs, append(open, s.foundBeside(stage, after)...)
}

// foundBeside lists what scripts of a stage found that the family does not ask for: nobody has to run them, but what they found stands
// until they were run again or something was replaced. A trip is a finding too: nobody knows what would have come after it.
func (s *State) foundBeside(stage drive.Stage, after int) (open []string) {
	seen := slices.Clone(s.needed[string(stage)].scripts)
	for _, run := range s.Runs {
		if run.Stage != string(stage) || slices.Contains(seen, run.Script) {
			continue
		}
		seen = append(seen, run.Script)
		if h, ok := s.latest(run.Script, after); ok && (h.Outcome == string(verdict.Fail) || h.Outcome == "tripped") {
			open = append(open, fmt.Sprintf("the latest %s came out %s (run %s); the family does not ask for it, but what it found stands", h.Script, h.Outcome, h.Name))
		}
	}
	return open
}

// looked lists what keeps the cold checks from being done. They find what is broken, so that a fail is no obstacle once
// something was replaced after it; a run that was cut short is.
func (s *State) looked() (open []string) {
	n := s.needed[string(drive.Cold)]
	if n.err != nil {
		return []string{n.err.Error()}
	}
	for _, script := range n.scripts {
		h, ok := s.latest(script, 0)
		made := h.Outcome == string(verdict.Fail) || h.Outcome == string(verdict.Undecided)
		switch {
		case !ok:
			open = append(open, script+" has not been run")
		case h.Outcome == string(verdict.Pass), made && s.void > h.Seen:
		case made:
			open = append(open, fmt.Sprintf("%s came out %s and nothing was replaced since (run %s)", script, h.Outcome, h.Name))
		default:
			open = append(open, fmt.Sprintf("the latest %s was %s (run %s)", script, h.Outcome, h.Name))
		}
	}
	return open
}

// foundInCold says whether a run of the cold checks that counts came out other than passed.
func (s *State) foundInCold() bool {
	return slices.ContainsFunc(s.needed[string(drive.Cold)].scripts, func(script string) bool {
		h, ok := s.latest(script, 0)
		return ok && h.Outcome != string(verdict.Pass)
	})
}

// before is what is missing of the stages up to and with one of cold, rails, board, overrides counted as done.
func (s *State) before(stage drive.Stage) (open []string) {
	for _, step := range []drive.Stage{drive.Cold, drive.Rails, drive.Board} {
		if _, skipped := s.skipped[string(step)]; !skipped {
			open = append(open, prefixed(string(step), s.step(step))...)
		}
		if step == stage {
			break
		}
	}
	return open
}

func (s *State) step(stage drive.Stage) []string {
	if stage == drive.Cold {
		return s.looked()
	}
	_, open := s.passed(stage, s.void)
	return open
}

func prefixed(stage string, open []string) []string {
	var all []string
	for _, o := range open {
		all = append(all, stage+": "+o)
	}
	return all
}

// standing says what stand-ins are in the drive, nil when none are.
func (s *State) standing() []string {
	var in []string
	for _, name := range slices.Sorted(maps.Keys(s.StandIns)) {
		in = append(in, fmt.Sprintf("%d of stand-in %s still in the drive (once out: benchwarden job stand-in %s --name %s --out %d)",
			s.StandIns[name], strings.ReplaceAll(name, "_", " "), s.ID, name, s.StandIns[name]))
	}
	return in
}

// toRelease is what a release to fit is missing (P8).
func (s *State) toRelease() (runs, open []string) {
	open = s.before(drive.Rails)
	boardRuns, boardOpen := s.passed(drive.Board, s.void)
	if _, skipped := s.skipped[string(drive.Cold)]; !skipped {
		open = append(open, s.undecided()...)
	}
	open = append(open, prefixed(string(drive.Board), boardOpen)...)
	if n := s.needed[string(drive.Board)]; n.err == nil && len(n.scripts) == 0 {
		open = append(open, "board: no script makes a check that the family needs, so nothing is proven")
	}
	railsRuns, _ := s.passed(drive.Rails, s.void)
	return append(railsRuns, boardRuns...), append(open, s.standing()...)
}

// Permit says what keeps a script of a stage from being run for this job.
func (s *State) Permit(stage string) error {
	var open []string
	switch step := drive.Stage(stage); step {
	case drive.Cold:
	case drive.Rails:
		open = s.before(drive.Cold)
	case drive.Board:
		open = s.before(drive.Rails)
		if s.fitted > 0 {
			open = append(open, fmt.Sprintf("power devices are fitted (entry %d); once they are out: benchwarden job removed %s", s.fitted, s.ID))
		}
	case drive.Fitted, drive.Soak:
		open = s.toPowerUp()
		if _, skipped := s.skipped[string(drive.Fitted)]; step == drive.Soak && !skipped && len(open) == 0 {
			_, missing := s.passed(drive.Fitted, s.fitted)
			open = prefixed("fitted", missing)
		}
	default:
		open = []string{"there is no such stage"}
	}
	if !s.Closed.IsZero() {
		open = []string{"the job is closed; open it again with: benchwarden job reopen " + s.ID + " --text WHY"}
	}
	if len(open) > 0 {
		return &NotYet{Job: s.ID, What: "stage " + stage, Open: open}
	}
	return nil
}

// toPowerUp is what is missing before power devices may be powered.
func (s *State) toPowerUp() []string {
	if s.released == 0 {
		return []string{"no release to fit that still counts; benchwarden job release " + s.ID}
	}
	if s.fitted == 0 {
		return append([]string{"no fitting record since the release; benchwarden job fitted " + s.ID}, s.standing()...)
	}
	return s.standing()
}

// NotYet says what is missing before a step of a job.
type NotYet struct {
	Job, What string
	Open      []string
}

func (n *NotYet) Error() string {
	return fmt.Sprintf("job %s is not ready for %s: %s", n.Job, n.What, strings.Join(n.Open, "; "))
}

// done says whether a stage is.
func (s *State) done(stage string) bool {
	return slices.ContainsFunc(s.Stages, func(of Stage) bool { return of.Name == stage && of.Done })
}

// notReleased says what a release waits for, once the stages before it are done.
func (s *State) notReleased(before []Stage) []string {
	if slices.ContainsFunc(before, func(of Stage) bool { return !of.Done }) {
		return []string{"not released"}
	}
	if _, open := s.toRelease(); len(open) > 0 {
		return append([]string{"not released"}, open...)
	}
	return []string{"not released; nothing is missing: benchwarden job release " + s.ID}
}

// stages tells how far the job is.
func (s *State) stages() []Stage {
	var all []Stage
	add := func(name, text string, open []string) {
		if o, skipped := s.skipped[name]; skipped {
			open, text = nil, "OVERRIDE: "+o.Reason
		}
		if len(open) > 0 {
			text = ""
		}
		all = append(all, Stage{Name: name, Done: len(open) == 0, Text: text, Open: open, Beside: s.needed[name].beside})
	}
	scripted := func(stage drive.Stage, open []string) {
		add(string(stage), "passed", open)
		if n := s.needed[string(stage)]; n.err == nil && len(n.scripts) == 0 && all[len(all)-1].Text == "passed" {
			all[len(all)-1] = Stage{Name: string(stage), None: true, Text: "no script makes a check that the family lists for it"}
		}
	}
	scripted(drive.Cold, s.looked())
	if cold := &all[0]; cold.Text == "passed" && s.foundInCold() {
		cold.Text = "what was found has been worked on"
	}
	scripted(drive.Rails, s.step(drive.Rails))
	scripted(drive.Board, s.step(drive.Board))
	decided := func(name string, n int, missing ...string) {
		if n == 0 {
			add(name, "", missing)
			return
		}
		e := s.Entries[n-1]
		var o struct{ Override string }
		_ = json.Unmarshal(e.Body, &o) // it was read before
		text := fmt.Sprintf("entry %d, %s", n, e.By)
		if o.Override != "" {
			text = fmt.Sprintf("OVERRIDE by %s: %s (entry %d)", e.By, o.Override, n)
		}
		add(name, text, nil)
	}
	decided(released, s.released, s.notReleased(all)...)
	decided(fitting, s.fitted, "no fitting record since the release")
	if s.fitted == 0 {
		add(string(drive.Fitted), "", []string{"no power devices fitted"})
		add(string(drive.Soak), "", []string{"no power devices fitted"})
		return all
	}
	_, open := s.passed(drive.Fitted, s.fitted)
	scripted(drive.Fitted, open)
	_, open = s.passed(drive.Soak, s.fitted)
	scripted(drive.Soak, open)
	return all
}
