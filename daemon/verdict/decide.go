package verdict

import "math"

// Rule says how a reading's uncertainty counts near a limit.
type Rule int

const (
	// Default: inside is pass, outside by more than U is fail, between is undecided.
	Default Rule = iota
	// Guarded: pass only inside by U or more; outside by more than U is fail, between is undecided. (ILAC-G8:09/2019, w = U)
	Guarded
)

// Decide compares a reading with its limits; u is the 95 % half width in the reading's unit. What is no number passes
// nothing.
func Decide(reading, u float64, low, high *float64, rule Rule) Outcome {
	if math.IsNaN(reading) || math.IsNaN(u) || u < 0 {
		return Undecided
	}
	beyond := math.Inf(-1) // how far outside the limits, negative inside
	if low != nil {
		beyond = math.Max(beyond, *low-reading)
	}
	if high != nil {
		beyond = math.Max(beyond, reading-*high)
	}
	guard := 0.0
	if rule == Guarded {
		guard = u
	}
	switch {
	case math.IsNaN(beyond):
		return Undecided
	case beyond <= -guard:
		return Pass
	case beyond > u:
		return Fail
	}
	return Undecided
}
