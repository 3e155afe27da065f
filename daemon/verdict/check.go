// Package verdict decides checks: readings against limits with their uncertainty, and what many checks come to together.
package verdict

import (
	"fmt"
	"slices"

	"benchwarden/instruments/quantity"
)

// Outcome is what a check came to (P6).
type Outcome string

const (
	Pass          Outcome = "pass"
	Fail          Outcome = "fail"
	Undecided     Outcome = "undecided"      // the instrument, its uncertainty or the sampling cannot tell
	NotShown      Outcome = "not shown"      // this bench cannot show it
	NotApplicable Outcome = "not applicable" // this family has no such thing
)

// Check is one named comparison with all that it was decided by. The values are in one unit.
type Check struct {
	Name        string          `json:"name"`
	Subject     string          `json:"subject"` // gate channel, rail, bus ...
	Outcome     Outcome         `json:"outcome"`
	Reading     *quantity.Value `json:"reading,omitempty"`
	Low         *quantity.Value `json:"low,omitempty"`  // nil: no limit below
	High        *quantity.Value `json:"high,omitempty"` // nil: no limit above
	Uncertainty *quantity.Value `json:"uncertainty,omitempty"`
	Reason      string          `json:"reason,omitempty"`
	Change      string          `json:"change,omitempty"` // what would change an undecided or not shown
	Part        string          `json:"part,omitempty"`   // the likely part of a fail
	Instrument  string          `json:"instrument,omitempty"`
}

// Sum is what checks come to together: fail when one fails; undecided when one cannot tell, or when a needed one is not
// shown or missing; else pass. Undecided and not shown never count as passed (P6). The reasons are in words.
func Sum(checks []Check, needed []string) (Outcome, []string) {
	var failed, open []string
	for _, c := range checks {
		line := c.sentence()
		switch {
		case c.Outcome == Fail:
			failed = append(failed, line)
		case c.Outcome == Undecided, c.Outcome == NotShown && slices.Contains(needed, c.Name):
			open = append(open, line)
		}
	}
	for _, name := range needed {
		if !slices.ContainsFunc(checks, func(c Check) bool { return c.Name == name }) {
			open = append(open, fmt.Sprintf("%s was not checked", name))
		}
	}
	switch {
	case len(failed) > 0:
		return Fail, append(failed, open...)
	case len(open) > 0:
		return Undecided, open
	}
	return Pass, nil
}

func (c Check) sentence() string {
	s := fmt.Sprintf("%s of %s: %s", c.Name, c.Subject, c.Outcome)
	if c.Reading != nil {
		s += fmt.Sprintf(", %v", *c.Reading)
	}
	if c.Reason != "" {
		s += ": " + c.Reason
	}
	return s
}
