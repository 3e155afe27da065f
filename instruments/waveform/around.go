package waveform

import "math"

// number is what a sample may be stored as. The functions below look at the few samples around an edge, without a call
// per sample.
type number interface{ uint8 | int16 | float64 }

// before finds where the trace crossed level for the last time before sample from, which lies beyond it, looking back to
// sample limit at most. Noise makes a slow edge cross several times: the middle of the first and the last of these counts.
// perCode is the inverse slope there in samples per code; 0 where the trace lay beyond the level since limit.
func before[N number](s []N, from, limit int, level, band float64, rising bool) (at, perCode float64) {
	i := from
	for i > limit && beyond(s[i-1], level, rising) >= 0 {
		i--
	}
	if i <= limit {
		return float64(limit), 0
	}
	last, early := i, i
	for i--; i > limit && beyond(s[i], level, rising) > -band; i-- {
		if beyond(s[i], level, rising) >= 0 && beyond(s[i-1], level, rising) < 0 {
			early = i
		}
	}
	return (interpolate(s, last, level) + interpolate(s, early, level)) / 2, samplesPerCode(s, early-1, last)
}

// after finds where the trace, from a sample short of level, crosses it for the first time, looking on to sample limit;
// false where it does not.
func after[N number](s []N, from, limit int, level, band float64, rising bool) (at, perCode float64, ok bool) {
	i := from
	for i < limit && beyond(s[i], level, rising) < 0 {
		i++
	}
	if i >= limit || i == 0 {
		return 0, 0, false
	}
	first, late := i, i
	for i++; i < limit && beyond(s[i-1], level, rising) < band; i++ {
		if beyond(s[i], level, rising) >= 0 && beyond(s[i-1], level, rising) < 0 {
			late = i
		}
	}
	return (interpolate(s, first, level) + interpolate(s, late, level)) / 2, samplesPerCode(s, first-1, late), true
}

// beyond is how far a sample lies on the far side of a level, seen along the edge; at or above zero is beyond.
func beyond[N number](v N, level float64, rising bool) float64 {
	if rising {
		return float64(v) - level
	}
	return level - float64(v)
}

// interpolate returns the instant between samples i-1 and i at which the straight line between them meets level.
func interpolate[N number](s []N, i int, level float64) float64 {
	a, b := float64(s[i-1]), float64(s[i])
	if a == b {
		return float64(i)
	}
	return float64(i-1) + (level-a)/(b-a)
}

// samplesPerCode is the inverse slope around the samples from..to, taken a little wider than where the crossing lies.
func samplesPerCode[N number](s []N, from, to int) float64 {
	wide := to - from - 1
	from, to = max(0, from-wide), min(len(s)-1, to+wide)
	rise := math.Abs(float64(s[to]) - float64(s[from]))
	if rise == 0 {
		return math.Inf(1)
	}
	return float64(to-from) / rise
}

// leaves finds the first sample from which on, up to sample to, the trace lies short of level: where the next edge takes it away.
func leaves[N number](s []N, from, to int, level float64, rising bool) int {
	for to > from && beyond(s[to-1], level, rising) < 0 {
		to--
	}
	return to
}

func countBeyond[N number](s []N, level float64, above bool) (n int) {
	for _, v := range s {
		if beyond(v, level, above) >= 0 {
			n++
		}
	}
	return n
}

// extent is the lowest and the highest of the samples from..to-1; a NaN among them comes out as NaN.
func extent[N number](s []N, from, to int) (low, high float64) {
	a, b := s[from], s[from]
	for _, v := range s[from:to] {
		a, b = min(a, v), max(b, v)
	}
	return float64(a), float64(b)
}
