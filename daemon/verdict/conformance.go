package verdict

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Conformance is the probability that the true value lies within its limits, for a normally distributed reading with
// standard uncertainty u above zero and nothing known beforehand; nil stands for a side without a limit. It is NaN where
// nothing follows: a number that is not finite, no limit, limits that cross.
//
// Source: JCGM 106:2012, conformance probability of a normal distribution.
func Conformance(reading, u float64, low, high *float64) float64 {
	if !finite(reading) || !finite(u) || u <= 0 || (low == nil && high == nil) {
		return math.NaN()
	}
	below, above := outside(reading, u, low, high)
	if math.IsNaN(below+above) || (low != nil && high != nil && *low > *high) {
		return math.NaN()
	}
	return 1 - below - above
}

// outside is the probability of lying below the low and above the high limit.
func outside(reading, u float64, low, high *float64) (below, above float64) {
	if low != nil {
		below = distuv.UnitNormal.CDF((*low - reading) / u)
	}
	if high != nil {
		above = distuv.UnitNormal.CDF((reading - *high) / u)
	}
	return below, above
}

// DecideByRisk passes a reading whose probability of lying outside its limits is at most risk, fails one that lies beyond
// one of them with a probability of at least 1-risk, and leaves what is between undecided. An instrument too coarse for
// the limits so neither passes nor fails what it reads near them. u is the standard uncertainty. A risk outside 0 to 0.5
// decides nothing.
func DecideByRisk(reading, u float64, low, high *float64, risk float64) Outcome {
	if math.IsNaN(Conformance(reading, u, low, high)) || !(risk > 0 && risk < 0.5) {
		return Undecided
	}
	below, above := outside(reading, u, low, high)
	switch {
	case below+above <= risk:
		return Pass
	case math.Max(below, above) >= 1-risk:
		return Fail
	}
	return Undecided
}
