package waveform

import "math"

// crossing is one passage of a level, in samples and codes.
type crossing struct {
	rising  bool
	at      float64 // where, in samples from the first
	perCode float64 // samples per code there: how far noise moves it
	confirm int     // the sample that proved it, beyond the hysteresis
}

// scan walks over the crossings of a level that go all the way from one side of the hysteresis to the other.
type scan struct {
	s                  samples
	level              float64
	upper, lower       float64 // hysteresis: a crossing is proven there
	band               float64 // half width of what noise does at the level
	high, known, first bool    // the side now; whether it is known; the side at the beginning
	pos                int
}

func newScan(s samples, level, hysteresis, band float64) *scan {
	c := &scan{s: s, level: level, upper: level + hysteresis, lower: level - hysteresis, band: min(band, hysteresis)}
	if c.lower >= c.upper { // a sample on the level counts as above it
		c.lower = math.Nextafter(c.upper, math.Inf(-1))
	}
	up, down := s.nextAtLeast(0, c.upper), s.nextAtMost(0, c.lower)
	c.pos = min(up, down)
	c.known = c.pos < s.len()
	c.high = c.known && up < down
	c.first = c.high
	return c
}

// next returns the next crossing; false at the end of the trace.
func (c *scan) next() (crossing, bool) {
	if !c.known {
		return crossing{}, false
	}
	var confirm int
	if c.high {
		confirm = c.s.nextAtMost(c.pos, c.lower)
	} else {
		confirm = c.s.nextAtLeast(c.pos, c.upper)
	}
	if confirm >= c.s.len() {
		c.pos = confirm
		return crossing{}, false
	}
	x := crossing{rising: !c.high, confirm: confirm}
	x.at, x.perCode = before(c.s, confirm, c.pos, c.level, c.band, x.rising)
	c.high = !c.high
	c.pos = confirm
	return x, true
}

// before finds where the trace crossed level for the last time before sample from, which lies beyond it, looking back to
// sample limit at most. Noise makes a slow edge cross several times: the middle of the first and the last of these counts.
func before(s samples, from, limit int, level, band float64, rising bool) (at, perCode float64) {
	sign := 1.0
	if !rising {
		sign = -1
	}
	above := func(i int) float64 { return sign * (s.at(i) - level) } // >= 0 beyond the level
	i := from
	for i > limit && above(i-1) >= 0 {
		i--
	}
	if i <= limit {
		return float64(limit), 0
	}
	last := i
	early := i
	for i--; i > limit && above(i) > -band; i-- {
		if above(i) >= 0 && above(i-1) < 0 {
			early = i
		}
	}
	return (interpolate(s, last, level) + interpolate(s, early, level)) / 2, samplesPerCode(s, early-1, last)
}

// after finds where the trace, from a sample short of level, crosses it for the first time, looking on to sample limit.
func after(s samples, from, limit int, level, band float64, rising bool) (at, perCode float64, ok bool) {
	sign := 1.0
	if !rising {
		sign = -1
	}
	above := func(i int) float64 { return sign * (s.at(i) - level) }
	i := from
	for i < limit && above(i) < 0 {
		i++
	}
	if i >= limit {
		return 0, 0, false
	}
	if i == 0 {
		return 0, 0, true
	}
	first, late := i, i
	for i++; i < limit && above(i-1) < band; i++ {
		if above(i) >= 0 && above(i-1) < 0 {
			late = i
		}
	}
	return (interpolate(s, first, level) + interpolate(s, late, level)) / 2, samplesPerCode(s, first-1, late), true
}

// interpolate returns the instant between samples i-1 and i at which the straight line between them meets level.
func interpolate(s samples, i int, level float64) float64 {
	a, b := s.at(i-1), s.at(i)
	if a == b {
		return float64(i)
	}
	return float64(i-1) + (level-a)/(b-a)
}

// samplesPerCode is the inverse slope around the samples from..to, taken a little wider than where the crossing lies.
func samplesPerCode(s samples, from, to int) float64 {
	wide := to - from - 1
	from, to = max(0, from-wide), min(s.len()-1, to+wide)
	rise := math.Abs(s.at(to) - s.at(from))
	if rise == 0 {
		return math.Inf(1)
	}
	return float64(to-from) / rise
}

// samplingU is the standard uncertainty, in samples, of an instant that was interpolated on an edge of the given number
// of samples (10 % to 90 %). With no sample on the edge it lies anywhere between two; with more, what is left is the
// curve that the straight line cuts off, worst where an edge begins with a kink.
func samplingU(edge float64) float64 {
	return min(1, 2/max(edge, 1)) / math.Sqrt(12)
}
