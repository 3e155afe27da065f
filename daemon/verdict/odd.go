package verdict

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// Odd is what comparing like values with each other gives.
type Odd struct {
	Median float64
	Who    []int // the ones unlike the others, in the order of the values
	// Unclear says why nothing follows although the values differ: two that differ do not tell which is right.
	Unclear string
}

// critical is how many robust sigmas the farthest of n good values lies from their median in 1 of 100 sets, for a normal
// distribution; from 300,000 sets of random numbers; a test draws anew. Of few values the median absolute
// deviation is small by chance now and then, so that they need far more than the usual 3.5.
var critical = map[int]float64{3: 110, 4: 16, 5: 18.4, 6: 10, 7: 10.7, 8: 8, 9: 8.2, 10: 6.9, 11: 7.1, 12: 6.3}

// madSigma makes the median absolute deviation of a normal distribution its standard deviation.
const madSigma = 1.4826

// OddOneOut finds values that are unlike their siblings by more than floor, by more than their own 95 % half widths u explain,
// and by more than the scatter of the others does, by the median absolute deviation. A sound set of siblings with normal scatter
// is suspected in about 1 of 100 cases at most. floor is what a difference has to be before it matters. With two values
// nobody knows which is the odd one; when half of the values disagree neither.
func OddOneOut(values, u []float64, floor float64) Odd {
	if len(values) < 2 || len(u) != len(values) || !allFinite(values) || !allFinite(u) || !finite(floor) || floor < 0 {
		return Odd{Median: math.NaN(), Unclear: "two or more finite values are needed"}
	}
	middle := medianOf(values)
	away, sizes := make([]float64, len(values)), make([]float64, len(values))
	for i, v := range values {
		away[i], sizes[i] = math.Abs(v-middle), u[i]
	}
	// The median is made of readings with an uncertainty of their own.
	typical := medianOf(sizes)
	scatter := madSigma * medianOf(away)
	o := Odd{Median: middle}
	limit := func(i int) float64 { return math.Max(floor, math.Hypot(u[i], typical)) }
	if len(values) == 2 {
		if 2*away[0] > math.Max(floor, math.Hypot(u[0], u[1])) {
			o.Unclear = "the two differ, and nobody knows which of them is right"
		}
		return o
	}
	k, ok := critical[len(values)]
	if !ok {
		k = critical[12]
	}
	far := 0
	for i := range values {
		if away[i] > limit(i) {
			far++
			if away[i] > k*scatter {
				o.Who = append(o.Who, i)
			}
		}
	}
	if 2*far >= len(values) {
		o.Who, o.Unclear = nil, "half of them or more lie apart from each other: there is no usual value to compare with"
	}
	return o
}

func allFinite(values []float64) bool {
	return !slices.ContainsFunc(values, func(x float64) bool { return !finite(x) })
}

func medianOf(values []float64) float64 {
	sorted := slices.Sorted(slices.Values(values))
	if n := len(sorted); n%2 == 0 {
		return (sorted[n/2-1] + sorted[n/2]) / 2
	}
	return stat.Quantile(0.5, stat.Empirical, sorted, nil)
}
