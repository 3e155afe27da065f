// Package report turns what a run recorded into a page that people read.
package report

import (
	_ "embed"
	"html/template"
	"io"

	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

//go:embed page.html
var pageText string

var page = template.Must(template.New("page").Funcs(template.FuncMap{"mark": mark, "figure": figure}).Parse(pageText))

// mark is an outcome's sign beside its word, so that the page can be read in black and white.
func mark(o verdict.Outcome) string {
	switch o {
	case verdict.Pass:
		return "✓"
	case verdict.Fail:
		return "✗"
	case verdict.Undecided:
		return "?"
	case verdict.NotShown:
		return "–"
	}
	return "·"
}

// figure is a limit's value; limits on what is no number have none.
func figure(v quantity.Value) string {
	if v.Unit == quantity.One {
		return ""
	}
	return v.String()
}

// Unit is one drive's page: its runs in order.
type Unit struct {
	Unit, Family, Outcome string
	Simulated             bool
	Runs                  []Run
}

// Run is what one run of a script recorded.
type Run struct {
	event.RunStarted
	Ended    event.RunEnded
	Name     string
	Checks   []event.Check
	Findings []event.Finding
	Charts   []event.Chart
	Trips    []event.Trip
	Limits   []event.Limit
}

// Take sorts a run's events.
func Take(events []event.Event) Run {
	var r Run
	for _, e := range events {
		switch b := e.Body.(type) {
		case event.RunStarted:
			r.RunStarted, r.Name = b, e.Run
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
		case event.Limits:
			r.Limits = b.Limits
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

// Write writes the page.
func (u Unit) Write(w io.Writer) error { return page.Execute(w, u) }
