package report

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/job"
	"benchwarden/daemon/record"
	"benchwarden/daemon/verdict"
)

// Source is the record as a report reads it.
type Source interface {
	Run(ctx context.Context, name string) (record.Head, []event.Event, error)
	Photo(ctx context.Context, sha256 string) (record.Photo, error)
}

// Options say which report it is.
type Options struct {
	Shop     string
	Customer bool // one sheet for the customer instead of the full record
	Printed  time.Time
	Version  string
}

// OfJob writes a job's document.
func OfJob(ctx context.Context, s job.State, from Source, o Options) (*Document, error) {
	w := writer{State: s, from: from, doc: &Document{
		Title: "Record of a repair", Shop: o.Shop,
		Foot: fmt.Sprintf("job %s, unit %s; printed %s by benchwarden %s", s.ID, s.Unit, clock(o.Printed), o.Version),
	}}
	if o.Customer {
		w.doc.Title, w.doc.OneSheet = "Repair of your drive", true
	}
	for _, h := range s.Runs {
		_, events, err := from.Run(ctx, h.Name)
		if err != nil {
			return nil, fmt.Errorf("report of job %s: %w", s.ID, err)
		}
		r := Take(events)
		w.runs = append(w.runs, r)
		w.doc.Simulated = w.doc.Simulated || r.Simulated
	}
	if o.Customer {
		return w.doc, w.sheet()
	}
	return w.doc, w.full(ctx)
}

// writer puts a job into a document.
type writer struct {
	job.State
	from Source
	runs []Run
	doc  *Document
}

// head is the same on both: what it came to, and what it is about.
func (w *writer) head() {
	w.doc.add(w.result())
	facts := Facts{{"Unit", w.Unit}, {"Drive family", w.Family}, {"Customer's order", w.Order}, {"Job", w.ID}, {"Taken in", clock(w.Opened)}}
	if !w.Closed.IsZero() {
		facts = append(facts, Fact{"Closed", clock(w.Closed)})
	}
	facts = append(facts, Fact{"Symptom", w.Symptom}, Fact{"Lay unused", w.Intake.Idle}, Fact{"Why it blew", w.cause()})
	w.doc.add(slices.DeleteFunc(facts, func(f Fact) bool { return f.Value == "" }))
}

// result puts the end of the job into a word, with what speaks against it beside it.
func (w *writer) result() Result {
	r := Result{Word: capital(w.Outcome)}
	if w.Closed.IsZero() {
		r.Word = "The job is still open"
	}
	var done, overridden, unchecked, missing []string
	for _, s := range w.Stages {
		into := &missing
		switch {
		case s.None:
			into = &unchecked
		case strings.HasPrefix(s.Text, "OVERRIDE"):
			into = &overridden
		case s.Done:
			into = &done
		}
		*into = append(*into, s.Name)
	}
	var told []string
	for _, of := range []struct {
		words  string
		stages []string
	}{{"Stages done", done}, {"By override", overridden}, {"Without a check", unchecked}, {"Not done", missing}} {
		if len(of.stages) > 0 {
			told = append(told, of.words+": "+strings.Join(of.stages, ", ")+".")
		}
	}
	var trips, overrides, unsafe, hands int
	for _, run := range w.runs {
		trips += len(run.Trips)
		overrides += len(run.Overrides)
		unsafe += len(run.NotSafe)
		hands += len(run.ByHand)
	}
	overrides += len(w.overrides())
	r.Lines = append(r.Lines, strings.Join(told, " "), fmt.Sprintf("On the way, trips: %d; overrides: %d; NOT SAFE: %d; bus proven down by hand: %d.", trips, overrides, unsafe, hands))
	return r
}

func (w *writer) cause() string {
	if w.Cause == "" {
		return "not recorded"
	}
	return w.Cause + " (as far as can be told)"
}

// full is everything.
func (w *writer) full(ctx context.Context) error {
	w.head()
	w.doc.add(Heading{Level: 1, Text: "Stages"}, w.stages())
	w.doc.add(Heading{Level: 1, Text: "Tests"}, orNone(w.tests(), "No test was made."))
	w.sight()
	w.findings()
	w.proposals()
	for _, part := range []func() error{w.replaced, w.standIns, w.decisions, func() error { return w.history(ctx) }} {
		if err := part(); err != nil {
			return err
		}
	}
	if len(w.runs) > 0 {
		w.doc.add(Heading{Level: 1, Text: "What was tried and measured"})
	}
	for i, r := range w.runs {
		r.add(w.doc, w.void(i))
	}
	w.instruments()
	w.limits()
	w.versions()
	w.doc.add(cautions, Signatures{"technician", "released by"})
	return nil
}

// tests has a line for each run, in their order.
func (w *writer) tests() Table {
	t := Table{Columns: []Column{{"stage", 7}, {"test", 33}, {"when", 16}, {"by", 9}, {"result", 13}, {"checks", 19}, {"", 15}}}
	for i, r := range w.runs {
		cells := row(r.Stage, r.Title, r.at, r.Operator, "", r.counts(), w.remark(i))
		cells[4].Outcome = verdict.Outcome(r.outcome())
		t.Rows = append(t.Rows, cells)
	}
	return t
}

// remark is what has to be known of a run beside its outcome.
func (w *writer) remark(i int) string {
	if w.runs[i].Simulated && slices.ContainsFunc(w.runs, func(r Run) bool { return !r.Simulated }) {
		return lead("SIMULATED, proves nothing of this drive", w.void(i))
	}
	return w.void(i)
}

// void says why a run no longer tells how the drive is: something on it was changed afterwards. What the cold checks found is
// why it was changed.
func (w *writer) void(i int) string {
	for _, e := range slices.Backward(w.Entries) {
		if (e.Kind == job.Replaced || e.Kind == job.Removed) && w.Runs[i].Seen < e.N && w.runs[i].Stage != string(drive.Cold) {
			return fmt.Sprintf("void since entry %d, %s", e.N, e.Kind)
		}
	}
	return ""
}

func (w *writer) stages() Table {
	t := Table{Columns: []Column{{"stage", 12}, {"state", 12}, {"how, or what is missing", 73}}}
	for _, s := range w.Stages {
		word := "open"
		switch {
		case s.None:
			word = "no check"
		case strings.HasPrefix(s.Text, "OVERRIDE"):
			word = "override"
		case s.Done:
			word = "done"
		}
		t.Rows = append(t.Rows, row(s.Name, word, s.Text+strings.Join(s.Open, "; ")))
	}
	return t
}

// sight is what nobody may overlook, of the job and of each run.
func (w *writer) sight() {
	all := w.overrides()
	for _, r := range w.runs {
		all = append(all, r.plainSight()...)
	}
	all = append(all, byHand(w.runs)...)
	w.doc.add(Heading{Level: 1, Text: "Trips, overrides, proofs by hand"})
	if len(all) == 0 {
		w.doc.add(Text{Text: "None."})
	}
	for _, n := range all {
		w.doc.add(n)
	}
}

func (w *writer) overrides() []Notice {
	var all []Notice
	for _, e := range w.Entries {
		var o struct {
			Override, Reason, Stage string
			Missing                 []string
		}
		if json.Unmarshal(e.Body, &o) != nil {
			continue
		}
		if reason := cmp.Or(o.Override, o.Reason); reason != "" {
			what := e.Kind
			if o.Stage != "" {
				what = "stage " + o.Stage
			}
			all = append(all, Notice{fmt.Sprintf("Override by %s: %s (%s)", e.By, what, clock(e.At)), append([]string{"reason: " + reason}, o.Missing...)})
		}
	}
	return all
}

// proposals are what the latest cold checks propose, and what became of that.
func (w *writer) proposals() {
	if len(w.Proposals) == 0 {
		return
	}
	t := Table{Columns: []Column{{"for", 13}, {"found", 40}, {"likely", 22}, {"decided", 25}}}
	for _, p := range w.Proposals {
		t.Rows = append(t.Rows, row(p.Subject, p.Text, p.Part, p.Decision()))
	}
	w.doc.add(Heading{Level: 1, Text: "Proposed by the cold checks"}, t)
}

// findings are each said once, with the first run that made them.
func (w *writer) findings() {
	w.doc.add(Heading{Level: 1, Text: "Findings"})
	told := map[string]bool{}
	for _, r := range w.runs {
		for _, f := range r.Findings {
			if key := f.Subject + f.Text; !told[key] {
				told[key] = true
				n := finding(f)
				n.Title += " (" + r.Title + ", " + r.at + ")"
				w.doc.add(n)
			}
		}
	}
	if len(told) == 0 {
		w.doc.add(Text{Text: "No script has put a finding into words; the checks of each run stand below."})
	}
}
