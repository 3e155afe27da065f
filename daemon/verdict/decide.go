package verdict

import (
	"fmt"
	"math"

	"benchwarden/instruments/quantity"
)

// Rule says how a reading's uncertainty counts near a limit.
type Rule struct {
	guarded bool
	risk    quantity.Ratio // 0: the rule states none
}

var (
	// Default: inside is pass, outside by more than U is fail, between is undecided. A reading on the limit may be wrongly
	// passed with a probability of up to a half (ILAC-G8:09/2019, 4.2.1).
	Default = Rule{}
	// Guarded: inside by U or more is pass, outside by more than U is fail, between is undecided. A reading on the
	// acceptance limit is wrongly passed with a probability of up to 2.5 % (ILAC-G8:09/2019, guard band w = U).
	Guarded = Rule{guarded: true}
)

// FalseAcceptance passes what lies outside with a probability of at most risk, above 0 and below a half; see DecideByRisk.
func FalseAcceptance(risk quantity.Ratio) Rule { return Rule{risk: risk} }

// String tells the rule for a sentence; it is empty for the default.
func (r Rule) String() string {
	switch {
	case r.risk > 0:
		return fmt.Sprintf("false acceptance at most %v", r.risk)
	case r.guarded:
		return "guarded by its uncertainty"
	}
	return ""
}

// Decide compares a reading with its limits; u is the 95 % half width in the reading's unit, nil stands for a side without
// a limit. On the limit counts as inside. What nothing follows from is undecided: a reading, an uncertainty or a limit
// that is no finite number, no limit at all, limits that cross.
func Decide(reading, u float64, low, high *float64, rule Rule) Outcome {
	if !finite(reading) || !finite(u) || u < 0 || (low == nil && high == nil) {
		return Undecided
	}
	beyond := math.Inf(-1) // how far outside the limits, negative inside
	if low != nil {
		beyond = math.Max(beyond, *low-reading)
	}
	if high != nil {
		beyond = math.Max(beyond, reading-*high)
	}
	if !finite(beyond) || (low != nil && high != nil && *low > *high) {
		return Undecided
	}
	if rule.risk > 0 && u > 0 {
		// Read as limits of error, u = U/√3: more than the U/2 of a normal distribution, so on the careful side for both.
		return DecideByRisk(reading, u/math.Sqrt(3), low, high, float64(rule.risk))
	}
	guard := 0.0
	if rule.guarded {
		guard = u
	}
	switch {
	case beyond <= -guard:
		return Pass
	case beyond > u:
		return Fail
	}
	return Undecided
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
