package report

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

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
		w.doc.Title = "Repair of your drive"
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

func (w *writer) head() {
	facts := Facts{{"Unit", w.Unit}, {"Drive family", w.Family}, {"Customer's order", w.Order}, {"Job", w.ID}, {"Taken in", clock(w.Opened)}}
	if !w.Closed.IsZero() {
		facts = append(facts, Fact{"Closed", clock(w.Closed)})
	}
	facts = append(facts, Fact{"Symptom", w.Symptom}, Fact{"Lay unused", w.Intake.Idle})
	w.doc.add(slices.DeleteFunc(facts, func(f Fact) bool { return f.Value == "" }))
}

func (w *writer) result() string {
	if w.Closed.IsZero() {
		return "The job is still open."
	}
	return "Result: " + w.Outcome + "."
}

// full is everything.
func (w *writer) full(ctx context.Context) error {
	w.head()
	w.doc.add(Text{Text: w.result()})
	w.doc.add(Text{Text: "Why it blew, as far as can be told: " + cmp.Or(w.Cause, "not recorded") + "."})
	w.doc.add(Heading{1, "Stages"}, w.stages())
	w.sight()
	w.findings()
	if err := w.replaced(); err != nil {
		return err
	}
	if err := w.standIns(); err != nil {
		return err
	}
	if err := w.decisions(); err != nil {
		return err
	}
	if err := w.history(ctx); err != nil {
		return err
	}
	if len(w.runs) > 0 {
		w.doc.add(Page{}, Heading{1, "What was tried and measured"})
	}
	for _, r := range w.runs {
		r.add(w.doc)
	}
	w.instruments()
	w.limits()
	w.versions()
	w.doc.add(cautions, Signatures{"technician", "released by"})
	return nil
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
	w.doc.add(Heading{1, "Trips, overrides, proofs by hand"})
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

// findings are each said once, with the first run that made them.
func (w *writer) findings() {
	w.doc.add(Heading{1, "Findings"})
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

func (w *writer) replaced() error {
	t := Table{Columns: []Column{{"part", 35}, {"quantity", 10}, {"why", 30}, {"by", 12}, {"when", 13}}}
	for _, e := range w.Entries {
		if e.Kind != job.Replaced {
			continue
		}
		var r job.Replacement
		if err := json.Unmarshal(e.Body, &r); err != nil {
			return err
		}
		t.Rows = append(t.Rows, row(r.Part, fmt.Sprint(r.Quantity), r.Why, e.By, clock(e.At)))
	}
	w.doc.add(Heading{1, "Replaced parts"})
	w.doc.add(orNone(t, "Nothing is recorded as replaced."))
	return nil
}

func orNone(t Table, none string) Block {
	if len(t.Rows) == 0 {
		return Text{Text: none}
	}
	return t
}

func (w *writer) standIns() error {
	in, out, where := map[string]int{}, map[string]int{}, map[string]string{}
	for _, e := range w.Entries {
		if e.Kind != job.StandIn {
			continue
		}
		var m job.Move
		if err := json.Unmarshal(e.Body, &m); err != nil {
			return err
		}
		if m.Count > 0 {
			in[m.Name] += m.Count
			where[m.Name] = cmp.Or(where[m.Name], m.Where)
		} else {
			out[m.Name] -= m.Count
		}
	}
	t := Table{Columns: []Column{{"stand-in", 25}, {"put in", 8}, {"taken out", 9}, {"still in", 9}, {"where", 49}}}
	for _, name := range slices.Sorted(maps.Keys(in)) {
		t.Rows = append(t.Rows, row(strings.ReplaceAll(name, "_", " "), fmt.Sprint(in[name]), fmt.Sprint(out[name]), fmt.Sprint(in[name]-out[name]), where[name]))
	}
	w.doc.add(Heading{1, "Stand-ins"}, orNone(t, "None were counted in."))
	return nil
}

func (w *writer) decisions() error {
	for _, e := range w.Entries {
		switch e.Kind {
		case job.Released:
			var r job.Release
			if err := json.Unmarshal(e.Body, &r); err != nil {
				return err
			}
			w.doc.add(Heading{1, "Release to fit"}, Facts{{"Released by", e.By + ", " + clock(e.At)}, {"On the runs", cmp.Or(strings.Join(r.Runs, ", "), "none")}})
		case job.Fitted:
			var f job.Fitting
			if err := json.Unmarshal(e.Body, &f); err != nil {
				return err
			}
			w.doc.add(Heading{1, "Fitting record"}, Facts{{"Recorded by", e.By + ", " + clock(e.At)}, {"Tab insulation, lowest", f.Insulation.String()},
				{"Torque", f.Torque}, {"Paste or pad", f.Paste}, {"Electrolytics", f.Electrolytics}, {"Stand-ins seen out", yesNo(f.StandInsOut)}})
			t := Table{Columns: []Column{{"position", 25}, {"part", 45}, {"gate to source", 30}}}
			for _, d := range f.Devices {
				t.Rows = append(t.Rows, row(d.Position, d.Part, d.GateSource.String()))
			}
			w.doc.add(orNone(t, "No device is named."))
		}
	}
	return nil
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// history is who did what, with the photos.
func (w *writer) history(ctx context.Context) error {
	t := Table{Columns: []Column{{"", 5}, {"when", 16}, {"by", 13}, {"what", 18}, {"in words", 48}}}
	var photos []Photo
	for _, e := range w.Entries {
		var b struct {
			Text, Part, Why, Name, Where, Stage, Outcome, Symptom string
			Count, Quantity                                       int
			Photos                                                []job.Picture
		}
		if err := json.Unmarshal(e.Body, &b); err != nil {
			return err
		}
		words := lines(b.Text, b.Symptom, b.Stage, b.Outcome)
		if b.Count != 0 {
			words = append(words, fmt.Sprintf("%+d %s", b.Count, strings.ReplaceAll(b.Name, "_", " ")), b.Where)
		}
		if b.Quantity != 0 {
			words = append(words, fmt.Sprintf("%d × %s", b.Quantity, b.Part))
		}
		words = append(words, b.Why)
		for _, p := range b.Photos {
			stored, err := w.from.Photo(ctx, p.SHA256)
			if err != nil {
				return err
			}
			caption := fmt.Sprintf("%s (entry %d, SHA-256 %.12s)", p.Name, e.N, p.SHA256)
			photos = append(photos, Photo{stored.Type, stored.Data, caption})
			words = append(words, "photo "+p.Name)
		}
		t.Rows = append(t.Rows, row(fmt.Sprint(e.N), clock(e.At), e.By, e.Kind, strings.Join(lines(words...), "; ")))
	}
	w.doc.add(Heading{1, "Who did what"}, t)
	for _, p := range photos {
		w.doc.add(p)
	}
	return nil
}

// instruments are each listed once, with those past their calibration on the day of a run said.
func (w *writer) instruments() {
	t := Table{Columns: []Column{{"role", 13}, {"identity", 45}, {"calibration due", 16}, {"", 26}}}
	told := map[string]bool{}
	for _, r := range w.runs {
		for _, id := range r.Identities {
			remark := ""
			switch {
			case id.CalibrationDue == "":
				remark = "no date given"
			case id.CalibrationDue < r.day:
				remark = "was past its date on " + r.day
			}
			if key := id.Role + id.Identity + id.CalibrationDue + remark; !told[key] {
				told[key] = true
				t.Rows = append(t.Rows, row(id.Role, id.Identity, id.CalibrationDue, remark))
			}
		}
	}
	w.doc.add(Heading{1, "Instruments"}, orNone(t, "No run was made."))
	for _, r := range w.runs {
		for _, text := range r.protection {
			if !told[text] {
				told[text] = true
				w.doc.add(Text{Text: strings.ToUpper(text[:1]) + text[1:] + ".", Small: true})
			}
		}
	}
}

// limits are listed once where runs had the same.
func (w *writer) limits() {
	var before string
	for _, r := range w.runs {
		if len(r.Limits) == 0 {
			continue
		}
		t := Table{Columns: []Column{{"quantity", 22}, {"kind", 18}, {"limit", 15}, {"trips at", 12}, {"where from", 33}}}
		for _, l := range r.Limits {
			t.Rows = append(t.Rows, row(l.Quantity, l.Kind, figure(l.Value), fmt.Sprintf("%d of %d", l.N, l.M), l.Origin))
		}
		if same := fmt.Sprint(t.Rows); same != before {
			before = same
			w.doc.add(Heading{1, "Trip limits in force from " + r.Title + ", " + r.at}, t)
		}
	}
}

func (w *writer) versions() {
	t := Table{Columns: []Column{{"run", 31}, {"script", 22}, {"its SHA-256", 16}, {"family file's", 16}, {"program", 15}}}
	for _, r := range w.runs {
		t.Rows = append(t.Rows, row(r.Name, r.Script[strings.LastIndexByte(r.Script, '/')+1:], fmt.Sprintf("%.12s", r.ScriptHash), fmt.Sprintf("%.12s", r.FamilyHash), r.Version))
	}
	if len(t.Rows) > 0 {
		w.doc.add(Heading{1, "Versions and hashes"}, t)
	}
}

// sheet is the customer's page: it has to stay on one.
func (w *writer) sheet() error {
	w.head()
	w.doc.add(Text{Text: w.result()})
	w.doc.add(Text{Text: "Why it blew, as far as can be told: " + cmp.Or(w.Cause, "not recorded") + "."})
	if overridden := w.overrides(); len(overridden) > 0 {
		var titles []string
		for _, n := range overridden {
			titles = append(titles, n.Title+", "+n.Lines[0])
		}
		w.doc.add(Notice{"Done without what is usually asked for", shortened(titles, 4)})
	}
	trips := 0
	t := Table{Columns: []Column{{"stage", 12}, {"test", 38}, {"when", 17}, {"result", 14}, {"checks", 19}}}
	for _, r := range w.latest() {
		cells := row(r.Stage, r.Title, r.at, "", r.counts())
		cells[3].Outcome = verdict.Outcome(r.outcome())
		t.Rows = append(t.Rows, cells)
	}
	for _, r := range w.runs {
		trips += len(r.Trips)
	}
	w.doc.add(Heading{1, "Tests, the latest of each"}, orNone(t, "No test was made."))
	if trips > 0 {
		w.doc.add(Text{Text: fmt.Sprintf("The supervision switched off %d times while it was tested; the full record says when and why.", trips)})
	}
	parts := Table{Columns: []Column{{"replaced part", 45}, {"quantity", 12}, {"why", 43}}}
	for _, e := range w.Entries {
		var r job.Replacement
		if e.Kind == job.Replaced {
			if err := json.Unmarshal(e.Body, &r); err != nil {
				return err
			}
			parts.Rows = append(parts.Rows, row(r.Part, fmt.Sprint(r.Quantity), r.Why))
		}
	}
	const mostParts = 8
	if n := len(parts.Rows); n > mostParts {
		parts.Rows = append(parts.Rows[:mostParts:mostParts], row(fmt.Sprintf("and %d more, in the full record", n-mostParts), "", ""))
	}
	w.doc.add(Heading{1, "Replaced parts"}, orNone(parts, "Nothing is recorded as replaced."))
	w.doc.add(Text{Text: "Every reading with its limits, uncertainty and instrument is in the full record, which the shop keeps.", Small: true})
	w.doc.add(cautions, Signatures{"for the shop"})
	return nil
}

// latest are the latest runs of each script, in the order of the job.
func (w *writer) latest() []Run {
	last := map[string]int{}
	for i, r := range w.runs {
		last[r.Script] = i
	}
	var out []Run
	for i, r := range w.runs {
		if last[r.Script] == i {
			out = append(out, r)
		}
	}
	return out
}
