package tracefile

import (
	"math"
	"slices"
)

// A trace that was made of converter codes shows their step: from fewLevels different values on the least distance between two
// of them. Fewer may be the states of a clean signal as well as neighbouring codes between which a constant level toggles.
const (
	fewLevels  = 8
	mostLevels = 4096
	looked     = 65536 // samples
)

// resolution is the step between neighbouring values of a trace that was made of codes; 0 where it does not look like one.
func resolution(values []float64) float64 {
	some := values[:min(len(values), looked)]
	sorted := slices.Clone(some)
	slices.Sort(sorted)
	span := sorted[len(sorted)-1] - sorted[0]
	least, levels := math.Inf(1), 1
	for i := 1; i < len(sorted); i++ {
		if d := sorted[i] - sorted[i-1]; d > 1e-6*span {
			least = min(least, d)
			levels++
		}
	}
	switch {
	case levels < 2 || levels > mostLevels || len(some) < 4*levels || span/least > 2*mostLevels:
		return 0
	case levels < fewLevels && !toggles(some, least):
		return 0
	}
	return least
}

// toggles says whether a trace wanders between neighbouring values at no steady rate, as a constant level between two codes
// does: it stays for one or two samples, and then again much longer.
func toggles(values []float64, step float64) bool {
	shortest, longest, run := len(values), 0, 1
	for i := 1; i < len(values); i++ {
		d := math.Abs(values[i] - values[i-1])
		switch {
		case d < step/2:
			run++
		case d > 1.5*step:
			return false
		default:
			shortest, longest, run = min(shortest, run), max(longest, run), 1
		}
	}
	return shortest <= 2 && longest >= 4*shortest
}
