package report

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"benchwarden/daemon/job"
	"benchwarden/daemon/verdict"
)

// What the customer's page has room for: it has to stay on one sheet.
const (
	mostFindings  = 5
	mostOverrides = 4
	mostParts     = 8
	mostForChart  = 10 // lines of these and tests, beside which the gate chart still fits
)

// sheet is the customer's page.
func (w *writer) sheet() error {
	w.head()
	if overridden := w.overrides(); len(overridden) > 0 {
		var titles []string
		for _, n := range overridden {
			titles = append(titles, n.Title+", "+n.Lines[0])
		}
		w.doc.add(Notice{"Done without what is usually asked for", capped(titles, mostOverrides, "the full record")})
	}
	if found := w.found(); len(found) > 0 {
		w.doc.add(Heading{Level: 1, Text: "What was found"})
		for _, f := range capped(found, mostFindings, "the full record") {
			w.doc.add(Text{Text: f})
		}
	}
	parts, err := w.parts()
	if err != nil {
		return err
	}
	w.doc.add(Heading{Level: 1, Text: "Replaced parts"}, orNone(parts, "Nothing is recorded as replaced."))
	tests := w.latest()
	w.doc.add(Heading{Level: 1, Text: "Tests, the latest of each"}, orNone(tests, "No test was made."))
	if c, ok := w.lastChart(); ok && len(w.overrides())+min(len(w.found()), mostFindings)+len(parts.Rows)+len(tests.Rows) <= mostForChart {
		c.Legs = nil
		w.doc.add(c)
	}
	w.doc.add(Text{Text: "Every reading with its limits, uncertainty and instrument is in the full record, which the shop keeps.", Small: true})
	w.doc.add(cautions, Signatures{"for the shop", "received by"})
	return nil
}

// capped keeps the first n and says where there are more.
func capped(all []string, n int, where string) []string {
	if len(all) <= n {
		return all
	}
	return append(append([]string{}, all[:n]...), fmt.Sprintf("and %d more, in %s", len(all)-n, where))
}

// found are the findings in a line each, the same one once.
func (w *writer) found() []string {
	var all []string
	told := map[string]bool{}
	for _, r := range w.runs {
		for _, f := range r.Findings {
			line := f.Text
			if !strings.Contains(strings.ToLower(f.Text), strings.ToLower(f.Subject)) {
				line = f.Subject + ": " + line
			}
			line = capital(line)
			if f.Part != "" {
				line += " (likely " + f.Part + ")"
			}
			if !told[line] {
				told[line] = true
				all = append(all, line)
			}
		}
	}
	return all
}

func (w *writer) parts() (Table, error) {
	t := Table{Columns: []Column{{"replaced part", 45}, {"quantity", 12}, {"why", 43}}}
	fitted := -1 // the row of the devices that are in: a later record of them is a correction, unless they were taken out between
	for _, e := range w.Entries {
		switch e.Kind {
		case job.Removed:
			fitted = -1
		case job.Replaced:
			fitted = -1
			var r job.Replacement
			if err := json.Unmarshal(e.Body, &r); err != nil {
				return t, err
			}
			t.Rows = append(t.Rows, row(r.Part, fmt.Sprint(r.Quantity), r.Why))
		case job.Fitted:
			var f job.Fitting
			if err := json.Unmarshal(e.Body, &f); err != nil {
				return t, err
			}
			cells := row("power devices", fmt.Sprint(len(f.Devices)), "the fitting record of entry "+fmt.Sprint(e.N))
			if fitted >= 0 {
				t.Rows[fitted] = cells
				continue
			}
			fitted = len(t.Rows)
			t.Rows = append(t.Rows, cells)
		}
	}
	if n := len(t.Rows); n > mostParts {
		t.Rows = append(t.Rows[:mostParts:mostParts], row(fmt.Sprintf("and %d more, in the full record", n-mostParts), "", ""))
	}
	return t, nil
}

// latest has the latest run of each script, in the order of the job.
func (w *writer) latest() Table {
	last := map[string]int{}
	for i, r := range w.runs {
		last[r.Script] = i
	}
	t := Table{Columns: []Column{{"stage", 10}, {"test", 40}, {"when", 16}, {"result", 12}, {"checks", 22}}}
	for i, r := range w.runs {
		if last[r.Script] != i {
			continue
		}
		cells := row(r.Stage, lead(r.Title, w.remark(i)), r.at, "", r.counts())
		cells[3].Outcome = verdict.Outcome(r.outcome())
		t.Rows = append(t.Rows, cells)
	}
	return t
}

// lastChart is the gate chart that tells how the drive is now.
func (w *writer) lastChart() (GateChart, bool) {
	for i, r := range slices.Backward(w.runs) {
		if n := len(r.Charts); n > 0 && w.void(i) == "" {
			return GateChart{r.Charts[n-1]}, true
		}
	}
	return GateChart{}, false
}

// lead joins a text and what has to be said of it, where there is something.
func lead(text, remark string) string {
	if remark == "" {
		return text
	}
	return text + "; " + remark
}
