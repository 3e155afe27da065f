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
	x.at, x.perCode = c.s.before(confirm, c.pos, c.level, c.band, x.rising)
	c.high = !c.high
	c.pos = confirm
	return x, true
}

// samplingU is the standard uncertainty, in samples, of an instant that was interpolated on an edge of the given number
// of samples (10 % to 90 %). With no sample on the edge it lies anywhere between two; with more, what is left is the
// curve that the straight line cuts off, worst where an edge begins with a kink.
func samplingU(edge float64) float64 {
	return min(1, 2/max(edge, 1)) / math.Sqrt(12)
}
