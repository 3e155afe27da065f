package verdict

import (
	"fmt"
	"slices"
)

// Population is what the good units of a family show for one check.
type Population struct {
	Units       int
	Mean, Sigma float64 // robust: the median, and the distance of the quartiles over 1.35
}

// FewestUnits is the number of good units below which quartiles say little (common practice, no source).
const FewestUnits = 12

// Describe takes robust figures from one reading a unit. Few units, what is no number, and readings of which half are the
// same are refused.
func Describe(readings []float64) (Population, error) {
	if len(readings) < FewestUnits {
		return Population{}, fmt.Errorf("%d good units are too few to learn limits from; at least %d are needed", len(readings), FewestUnits)
	}
	if slices.ContainsFunc(readings, func(x float64) bool { return !finite(x) }) {
		return Population{}, fmt.Errorf("a reading of a good unit is no finite number; leave that unit out")
	}
	sorted := slices.Sorted(slices.Values(readings))
	p := Population{Units: len(readings), Mean: quantile(sorted, 0.5), Sigma: (quantile(sorted, 0.75) - quantile(sorted, 0.25)) / 1.35}
	if !(p.Sigma > 0) {
		return Population{}, fmt.Errorf("half of the %d units read the same; take a finer reading", len(readings))
	}
	return p, nil
}

// quantile takes the order statistic at (n+1/3)·p + 1/3, between two of them in proportion: unbiased in the median whatever the
// distribution, and at 1/2 the median. What a standard calls quartiles is seldom said; of few units other ways differ.
//
// Source: Hyndman and Fan, "Sample Quantiles in Statistical Packages" (1996), definition 8; known from memory.
func quantile(sorted []float64, p float64) float64 {
	at := (float64(len(sorted))+1.0/3)*p + 1.0/3 - 1
	below := min(max(int(at), 0), len(sorted)-2)
	return sorted[below] + (at-float64(below))*(sorted[below+1]-sorted[below])
}

// Limits are six robust sigmas to either side of the robust mean (AEC-Q001, static part average limits; known from
// memory). A unit beyond them and inside its own limits is flagged, not failed.
func (p Population) Limits() (low, high float64) { return p.Mean - 6*p.Sigma, p.Mean + 6*p.Sigma }
