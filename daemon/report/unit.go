package report

import (
	"fmt"

	"benchwarden/instruments/quantity"
)

// OfUnit is the document of runs that belong to no job, with what they came to in a sentence.
func OfUnit(unit, family, conclusion string, runs []Run) *Document {
	d := &Document{Title: fmt.Sprintf("Unit %s, drive family %s", unit, family)}
	d.add(Text{Text: conclusion})
	for _, r := range runs {
		d.Simulated = d.Simulated || r.Simulated
		for _, n := range r.plainSight() {
			d.add(n)
		}
		for _, n := range byHand([]Run{r}) {
			d.add(n)
		}
		r.add(d, "")
	}
	w := writer{runs: runs, doc: d}
	w.instruments()
	w.limits()
	w.versions()
	d.add(cautions)
	return d
}

// figure is a limit's value; limits on what is no number have none.
func figure(v quantity.Value) string {
	if v.Unit == quantity.One {
		return ""
	}
	return v.String()
}
