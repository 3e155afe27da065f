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

	found    [32]crossing // looked for many at a time: what costs is the call
	given, n int
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
	if c.given == c.n {
		c.given, c.n = 0, 0
		if c.known {
			c.s.crossings(c)
		}
		if c.n == 0 {
			return crossing{}, false
		}
	}
	c.given++
	return c.found[c.given-1], true
}

// crossings fills found from where the scan stands; none is the end of the trace.
func crossings[S ~[]N, N number](s S, c *scan, nextAtLeast, nextAtMost func(s S, from int, level float64) int) {
	high, pos, level := c.high, c.pos, c.level
	n := 0
	for n < len(c.found) {
		var confirm int
		if high {
			confirm = nextAtMost(s, pos, c.lower)
		} else {
			confirm = nextAtLeast(s, pos, c.upper)
		}
		if confirm >= len(s) {
			pos = confirm
			break
		}
		x := &c.found[n]
		x.rising, x.confirm = !high, confirm
		x.at, x.perCode = before([]N(s), confirm, pos, level, c.band, !high)
		high, pos = !high, confirm
		n++
	}
	c.high, c.pos, c.n = high, pos, n
}

// What linear interpolation does to edges of known shapes (ramp, raised cosine, one pole, second order), in samples, by the
// number of samples on the edge; TestInterpolationStaysWithin holds them.

// midwayBias is the middle, and midwayLimit half the width, of how late a 50 % instant is found in the mean over all positions.
func midwayBias(edge float64) float64 {
	if edge < 1 {
		return 0
	}
	return min(0.03, 0.085/edge)
}

func midwayLimit(edge float64) float64 { return min(0.075, 0.11/max(edge, 0.1)) }

// midwayScatter is the standard deviation of that error over the positions.
func midwayScatter(edge float64) float64 { return min(0.22, 0.11/max(edge, 0.1)) }
