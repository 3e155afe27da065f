package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
)

// Run is what one run of a script recorded.
type Run struct {
	event.RunStarted
	Ended     event.RunEnded
	Name      string
	Checks    []event.Check
	Findings  []event.Finding
	Charts    []event.Chart
	Trips     []event.Trip
	Overrides []event.Override
	ByHand    []event.Bus
	NotSafe   []event.Safety
	Notes     []event.Note
	Traces    []event.Trace
	Limits    []event.Limit
	Energised []event.Energising
	at        string // when it began
	day       string
	ramp      []sample
	// protection tells what the instruments were set to do by themselves, and what they cannot.
	protection []string
}

// Take sorts a run's events.
func Take(events []event.Event) Run {
	var r Run
	for _, e := range events {
		switch b := e.Body.(type) {
		case event.RunStarted:
			r.RunStarted, r.Name = b, e.Run
			r.at, r.day = clock(e.At), e.At.Local().Format("2006-01-02")
		case event.RunEnded:
			r.Ended = b
		case event.Check:
			r.Checks = append(r.Checks, b)
		case event.Finding:
			r.Findings = append(r.Findings, b)
		case event.Chart:
			r.Charts = append(r.Charts, b)
		case event.Trip:
			r.Trips = append(r.Trips, b)
		case event.Override:
			r.Overrides = append(r.Overrides, b)
		case event.Bus:
			if b.State == event.ProvenByHand && (len(r.ByHand) == 0 || r.ByHand[len(r.ByHand)-1].Why != b.Why) {
				r.ByHand = append(r.ByHand, b)
			}
		case event.Safety:
			if !b.Confirmed {
				r.NotSafe = append(r.NotSafe, b)
			}
		case event.Note:
			r.Notes = append(r.Notes, b)
			if strings.Contains(b.Text, "its own protection") {
				r.protection = append(r.protection, b.Text)
			}
		case event.Trace:
			r.Traces = append(r.Traces, b)
		case event.Energising:
			r.Energised = append(r.Energised, b)
		case event.Limits:
			r.Limits = b.Limits
		case event.Reading:
			r.watchBus(e, b)
		}
	}
	return r
}

// Count tells how many of the run's checks came to an outcome.
func (r Run) Count(o verdict.Outcome) int {
	n := 0
	for _, c := range r.Checks {
		if c.Outcome == o {
			n++
		}
	}
	return n
}

// Open are the checks that a reader has to know of: all that did not pass.
func (r Run) Open() []event.Check {
	var open []event.Check
	for _, c := range r.Checks {
		if c.Outcome != verdict.Pass {
			open = append(open, c)
		}
	}
	return open
}

func (r Run) outcome() string { return cmp.Or(r.Ended.Outcome, "interrupted") }

// counts puts the checks' outcomes into words, leaving out what there is none of.
func (r Run) counts() string {
	var parts []string
	for _, o := range []verdict.Outcome{verdict.Pass, verdict.Fail, verdict.Undecided, verdict.NotShown, verdict.NotApplicable} {
		if n := r.Count(o); n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, o))
		}
	}
	if len(parts) == 0 {
		return "no check was made"
	}
	return strings.Join(parts, ", ")
}

// plainSight are the things of a run that nobody may overlook.
func (r Run) plainSight() []Notice {
	var all []Notice
	where := fmt.Sprintf("%s, %s", r.Title, r.at)
	for _, t := range r.Trips {
		all = append(all, Notice{"Trip, " + t.Cause + " (" + where + ")", lines(t.Text, t.Do)})
	}
	for _, o := range r.Overrides {
		all = append(all, Notice{"Override by " + o.By + " (" + where + ")", lines(o.Rule, "reason: "+o.Reason)})
	}
	for _, s := range r.NotSafe {
		var outputs []string
		for _, o := range s.Outputs {
			if !o.Confirmed {
				outputs = append(outputs, fmt.Sprintf("%s was not confirmed %s: %s", o.Name, o.Safe, o.Text))
			}
		}
		all = append(all, Notice{"NOT SAFE after: " + s.Cause + " (" + where + ")", outputs})
	}
	return all
}

// byHand are the proofs by hand of some runs together.
func byHand(runs []Run) []Notice {
	n := Notice{Title: "DC bus proven down by hand"}
	for _, r := range runs {
		for _, b := range r.ByHand {
			n.Lines = append(n.Lines, fmt.Sprintf("%s, %s: %s", r.Title, r.at, b.Why))
		}
	}
	if len(n.Lines) == 0 {
		return nil
	}
	return []Notice{n}
}

func lines(all ...string) []string {
	var out []string
	for _, l := range all {
		if l != "" {
			out = append(out, l)
		}
	}
	return out
}

// add writes the run into a document; a remark says what has to be known of it.
func (r Run) add(d *Document, remark string) {
	d.add(Heading{2, r.Title, verdict.Outcome(r.outcome())})
	if r.Simulated {
		remark = lead("SIMULATED", remark)
	}
	d.add(Text{fmt.Sprintf("%s, stage %s, by %s; run %s. Checks: %s.", r.at, r.Stage, cmp.Or(r.Operator, "nobody named"), lead(r.Name, remark), r.counts()), true})
	for _, line := range lines(r.measuredWith(), r.energised()) {
		d.add(Text{line, true})
	}
	if len(r.Ended.Reasons) > 0 && r.outcome() != string(verdict.Pass) {
		d.add(Notice{"Why it came out " + r.outcome(), capped(r.Ended.Reasons, 8, "the table of checks")})
	}
	for _, f := range r.Findings {
		d.add(finding(f))
	}
	for _, c := range r.Charts {
		d.add(GateChart{c})
		for _, line := range capped(cellReasons(c), 12, "the record's export") {
			d.add(Text{line, true})
		}
	}
	for _, f := range append(r.rampFigures(), r.traceFigures()...) {
		d.add(f)
	}
	if len(r.Checks) > 0 {
		d.add(r.checks())
	}
}

// cellReasons says of each cell that did not pass why not.
func cellReasons(c event.Chart) []string {
	var all []string
	for _, r := range c.Rows {
		for i, cell := range r.Cells {
			if cell.Reason != "" && cell.Outcome != verdict.Pass && i < len(c.Columns) {
				all = append(all, fmt.Sprintf("%s at %s, %s: %s", r.Channel, c.Columns[i], cell.Outcome, cell.Reason))
			}
		}
	}
	return all
}

// measuredWith names the instruments that checks of the run were made with, and their calibration.
func (r Run) measuredWith() string {
	var all []string
	for _, id := range r.Identities {
		if slices.ContainsFunc(r.Checks, func(c event.Check) bool { return measuredBy(c, id.Role) }) {
			all = append(all, id.Role+" ("+calibration(id, r.day)+")")
		}
	}
	if len(all) == 0 {
		return ""
	}
	return "Measured with: " + strings.Join(all, ", ") + "."
}

// measuredBy tells whether an instrument took part in a check, as the meter does in "meter over matrix".
func measuredBy(c event.Check, role string) bool {
	return slices.Contains(strings.FieldsFunc(c.Instrument, func(r rune) bool { return r == ' ' || r == ',' }), role)
}

// calibration says until when an instrument's calibration holds, seen from a day.
func calibration(id event.Identity, day string) string {
	switch {
	case id.CalibrationDue == "":
		return "no calibration date given"
	case id.CalibrationDue < day:
		return "calibration was due " + id.CalibrationDue + ", past on that day"
	}
	return "calibration due " + id.CalibrationDue
}

// energised says which acts at the bench switched what on.
func (r Run) energised() string {
	var all []string
	times := map[string]int{}
	for _, e := range r.Energised {
		act := fmt.Sprintf("%s up to %v for at most %v by %s", strings.Join(e.Outputs, ", "), e.Highest, e.Longest, cmp.Or(e.By, "nobody named"))
		if times[act]++; times[act] == 1 {
			all = append(all, act)
		}
	}
	if len(all) == 0 {
		return ""
	}
	for i, act := range all {
		if n := times[act]; n > 1 {
			all[i] = fmt.Sprintf("%d times %s", n, act)
		}
	}
	return "Energised by acts at the bench: " + strings.Join(all, "; ") + "."
}

func finding(f event.Finding) Notice {
	n := Notice{Title: "Finding: " + f.Subject, Lines: []string{f.Text}}
	if f.Part != "" {
		n.Lines = append(n.Lines, "Likely part: "+f.Part)
	}
	if f.Do != "" {
		n.Lines = append(n.Lines, "What to do: "+f.Do)
	}
	return n
}

// checks has a row for each check; a column that none of them fills is left out.
func (r Run) checks() Table {
	t := Table{Columns: []Column{{"check", 16}, {"of", 15}, {"outcome", 13}, {"reading", 19}, {"limits", 19}, {"by", 9}, {"why, what would change it", 24}}}
	for _, c := range r.Checks {
		cells := row(c.Name, strings.ReplaceAll(c.Subject, "_", " "), "", verdict.Check(c).Figure(), limitsOf(c), strings.ReplaceAll(c.Instrument, "_", " ")+r.pastDate(c), because(c))
		cells[2].Outcome = c.Outcome
		t.Rows = append(t.Rows, cells)
	}
	return t.withoutEmpty()
}

// pastDate marks a check that an instrument past its calibration date took part in.
func (r Run) pastDate(c event.Check) string {
	for _, id := range r.Identities {
		if measuredBy(c, id.Role) && id.CalibrationDue != "" && id.CalibrationDue < r.day {
			return ", past its date"
		}
	}
	return ""
}

func limitsOf(c event.Check) string {
	switch {
	case c.Low != nil && c.High != nil:
		return fmt.Sprintf("%v to %v", *c.Low, *c.High)
	case c.Low != nil:
		return fmt.Sprintf("at least %v", *c.Low)
	case c.High != nil:
		return fmt.Sprintf("at most %v", *c.High)
	}
	return ""
}

func because(c event.Check) string {
	parts := lines(c.Reason)
	if c.Rule != "" {
		parts = append(parts, "decision rule: "+c.Rule)
	}
	if c.Part != "" {
		parts = append(parts, "likely "+c.Part)
	}
	if c.Change != "" {
		parts = append(parts, "to change that: "+c.Change)
	}
	return strings.Join(parts, "; ")
}
