package verdict

import (
	"fmt"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// Population is what the good units of a family show for one check.
type Population struct {
	Units       int
	Mean, Sigma float64 // robust: the median, and the distance of the quartiles over 1.35
}

// fewest is the number of units below which quartiles say little (common practice, no source).
const fewest = 12

// Describe takes robust figures from one reading a unit. Few units, what is no number, and readings of which half are the
// same are refused.
func Describe(readings []float64) (Population, error) {
	if len(readings) < fewest {
		return Population{}, fmt.Errorf("%d good units are too few to learn limits from; at least %d are needed", len(readings), fewest)
	}
	if slices.ContainsFunc(readings, func(x float64) bool { return !finite(x) }) {
		return Population{}, fmt.Errorf("a reading of a good unit is no finite number; leave that unit out")
	}
	sorted := slices.Sorted(slices.Values(readings))
	quartile := func(p float64) float64 { return stat.Quantile(p, stat.LinInterp, sorted, nil) }
	p := Population{Units: len(readings), Mean: quartile(0.5), Sigma: (quartile(0.75) - quartile(0.25)) / 1.35}
	if !(p.Sigma > 0) {
		return Population{}, fmt.Errorf("half of the %d units read the same; take a finer reading", len(readings))
	}
	return p, nil
}

// Limits are six robust sigmas to either side of the robust mean (AEC-Q001, static part average limits; known from
// memory). A unit beyond them and inside its own limits is flagged, not failed.
func (p Population) Limits() (low, high float64) { return p.Mean - 6*p.Sigma, p.Mean + 6*p.Sigma }
