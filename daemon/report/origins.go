package report

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
)

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
	w.doc.add(Heading{Level: 1, Text: "Instruments"}, orNone(t, "No run was made."))
	own := Notice{Title: "The instruments' own protection"}
	for _, r := range w.runs {
		for _, text := range r.protection {
			if !told[text] {
				told[text] = true
				own.Lines = append(own.Lines, capital(text)+".")
			}
		}
	}
	if len(own.Lines) > 0 {
		w.doc.add(own)
	}
}

// limits are listed once for all runs that had the same.
func (w *writer) limits() {
	var tables []Table
	var of [][]string
	for _, r := range w.runs {
		if len(r.Limits) == 0 {
			continue
		}
		t := Table{Columns: []Column{{"quantity", 22}, {"kind", 18}, {"limit", 15}, {"trips at", 12}, {"where from", 33}}}
		for _, l := range r.Limits {
			t.Rows = append(t.Rows, row(l.Quantity, l.Kind, figure(l.Value), fmt.Sprintf("%d of %d", l.N, l.M), l.Origin))
		}
		i := slices.IndexFunc(tables, func(other Table) bool { return reflect.DeepEqual(t, other) })
		if i < 0 {
			i = len(tables)
			tables, of = append(tables, t), append(of, nil)
		}
		of[i] = append(of[i], r.Title+" ("+r.at+")")
	}
	for i, t := range tables {
		w.doc.add(Heading{Level: 1, Text: "Trip limits in force"}, Text{strings.Join(of[i], "; "), true}, t)
	}
}

func (w *writer) versions() {
	t := Table{Columns: []Column{{"run", 38}, {"script", 19}, {"its SHA-256", 15}, {"family file's", 15}, {"program", 13}}}
	for _, r := range w.runs {
		t.Rows = append(t.Rows, row(r.Name, r.Script[strings.LastIndexByte(r.Script, '/')+1:], fmt.Sprintf("%.12s", r.ScriptHash), fmt.Sprintf("%.12s", r.FamilyHash), r.Version))
	}
	if len(t.Rows) > 0 {
		w.doc.add(Heading{Level: 1, Text: "Versions and hashes"}, t)
	}
}
