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
	Budget      *Budget         `json:"budget,omitempty"` // what the uncertainty is made of
	Rule        string          `json:"rule,omitempty"`   // the decision rule, where it is not the default
	Reason      string          `json:"reason,omitempty"`
	Change      string          `json:"change,omitempty"` // what would change an undecided or not shown
	Part        string          `json:"part,omitempty"`   // the likely part of a fail
	Instrument  string          `json:"instrument,omitempty"`
}

// Sum is what checks come to together: fail when one fails; else undecided when one cannot tell, when a needed one is not
// shown or missing, or when there is nothing to go by; else pass. Undecided and not shown never count as passed, and not
// applicable satisfies a need but shows nothing (P6). The reasons are in words, failures first.
func Sum(checks []Check, needed []string) (Outcome, []string) {
	var failed, open []string
	shown := len(needed) > 0 // a need that is left open says so below
	for _, c := range checks {
		switch c.Outcome {
		case Fail:
			failed = append(failed, c.sentence())
		case Pass:
			shown = true
		case NotApplicable:
		case NotShown:
			if slices.Contains(needed, c.Name) {
				open = append(open, c.sentence())
			}
		default:
			open = append(open, c.sentence())
		}
	}
	for _, name := range needed {
		if !slices.ContainsFunc(checks, func(c Check) bool { return c.Name == name }) {
			open = append(open, fmt.Sprintf("%s was not checked, and this stage needs it", name))
		}
	}
	switch {
	case len(failed) > 0:
		return Fail, append(failed, open...)
	case len(open) > 0:
		return Undecided, open
	case !shown:
		return Undecided, []string{"no check showed anything"}
	}
	return Pass, nil
}

// sentence tells the check in one line: what, what it came to, the figures, why and what would change it.
func (c Check) sentence() string {
	outcome := c.Outcome
	if outcome == "" {
		outcome = "without an outcome"
	}
	s := c.Name
	if c.Subject != "" {
		s += " of " + c.Subject
	}
	s += fmt.Sprintf(": %s%s%s", outcome, c.figure(), c.limits())
	if c.Rule != "" {
		s += ", " + c.Rule
	}
	if c.Reason != "" {
		s += ": " + c.Reason
	}
	if c.Change != "" {
		s += "; what would change it: " + c.Change
	}
	return s
}

func (c Check) figure() string {
	if c.Reading == nil {
		return ""
	}
	return ", " + c.Figure()
}

// Figure is the reading with its uncertainty, both with the digits that the uncertainty deserves: down to its second.
func (c Check) Figure() string {
	switch {
	case c.Reading == nil:
		return ""
	case c.Uncertainty == nil:
		return c.Reading.String()
	}
	u := c.Uncertainty.Number
	return quantity.Digits(*c.Reading, u) + " ± " + quantity.Digits(*c.Uncertainty, u)
}

func (c Check) limits() string {
	switch {
	case c.Low != nil && c.High != nil:
		return fmt.Sprintf(" (%v to %v)", *c.Low, *c.High)
	case c.Low != nil:
		return fmt.Sprintf(" (at least %v)", *c.Low)
	case c.High != nil:
		return fmt.Sprintf(" (at most %v)", *c.High)
	}
	return ""
}
