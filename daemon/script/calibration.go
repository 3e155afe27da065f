package script

import (
	"fmt"
	"slices"
	"strings"

	"benchwarden/daemon/verdict"
)

// calibrated says with a check which of its instruments are past their calibration. Where the bench asks for that, what they
// would have passed or failed is undecided.
func (e *engine) calibrated(c verdict.Check) verdict.Check {
	if c.Outcome == verdict.NotShown || c.Outcome == verdict.NotApplicable {
		return c // nothing was measured
	}
	for _, name := range instruments(c.Instrument) {
		due, undecided := e.rig.PastCalibration(name)
		if due == "" {
			continue
		}
		said := fmt.Sprintf("%s is past its calibration, due %s", name, due)
		if undecided && (c.Outcome == verdict.Pass || c.Outcome == verdict.Fail) {
			said += fmt.Sprintf("; else it would be %s", c.Outcome)
			c.Outcome, c.Change = verdict.Undecided, "have it calibrated, or use one that is"
		}
		if c.Reason != "" {
			said = c.Reason + "; " + said
		}
		c.Reason = said
	}
	return c
}

// instruments takes a list of names apart.
func instruments(list string) []string {
	if list == "" {
		return nil
	}
	return strings.Split(list, ", ")
}

// together is the list of all instruments that two readings come from.
func together(a, b string) string {
	all := append(instruments(a), instruments(b)...)
	slices.Sort(all)
	return strings.Join(slices.Compact(all), ", ")
}
