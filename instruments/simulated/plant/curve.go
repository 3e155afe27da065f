package plant

import "sort"

// curve is the logged course of one quantity, kept as the corners of a broken line that stays within tol of every value
// added.
type curve struct {
	tol    float64
	t, v   []float64
	lo, hi float64 // slopes from the last kept corner that pass within tol of all values since
	open   bool    // the last corner may still move
}

// add appends the value at t, which must not lie before the last. Two values at one instant are a jump.
func (c *curve) add(t, v float64) {
	n := len(c.t)
	if n == 0 {
		c.keep(t, v)
		return
	}
	if t <= c.t[n-1] {
		if v != c.v[n-1] {
			c.keep(c.t[n-1], v)
		}
		return
	}
	if !c.open {
		c.begin(t, v)
		return
	}
	at, av := c.t[n-2], c.v[n-2]
	slope := (v - av) / (t - at)
	if slope < c.lo || slope > c.hi {
		c.begin(t, v)
		return
	}
	c.lo = max(c.lo, (v-c.tol-av)/(t-at))
	c.hi = min(c.hi, (v+c.tol-av)/(t-at))
	c.t[n-1], c.v[n-1] = t, v
}

// begin starts a new line from the last corner.
func (c *curve) begin(t, v float64) {
	n := len(c.t)
	at, av := c.t[n-1], c.v[n-1]
	c.lo, c.hi = (v-c.tol-av)/(t-at), (v+c.tol-av)/(t-at)
	c.t, c.v, c.open = append(c.t, t), append(c.v, v), true
}

func (c *curve) keep(t, v float64) {
	c.t, c.v, c.open = append(c.t, t), append(c.v, v), false
}

// forget drops the corners that no instant from t on needs.
func (c *curve) forget(t float64) {
	i := sort.SearchFloat64s(c.t, t) - 1
	if i < 1024 {
		return
	}
	c.t = append(c.t[:0], c.t[i:]...)
	c.v = append(c.v[:0], c.v[i:]...)
}

// at is the value at an instant: before the first corner the first value, after the last the last.
func (c *curve) at(t float64) float64 {
	cur := cursor{c: c}
	cur.seek(t)
	return cur.at(t)
}

// level says whether the quantity stands still from a to b, as well as the line can tell, and at what.
func (c *curve) level(a, b float64) (float64, bool) {
	v := c.at(b)
	if abs(c.at(a)-v) > 2*c.tol {
		return v, false
	}
	for i := sort.SearchFloat64s(c.t, a); i < len(c.t) && c.t[i] <= b; i++ {
		if abs(c.v[i]-v) > 2*c.tol {
			return v, false
		}
	}
	return v, true
}

// cursor reads a curve at instants that only grow.
type cursor struct {
	c *curve
	i int // last corner at or before the instant
}

func (u *cursor) seek(t float64) {
	u.i = max(0, sort.Search(len(u.c.t), func(i int) bool { return u.c.t[i] > t })-1)
}

func (u *cursor) at(t float64) float64 {
	n := len(u.c.t)
	if n == 0 {
		return 0
	}
	for u.i+1 < n && u.c.t[u.i+1] <= t {
		u.i++
	}
	if u.i+1 >= n || t <= u.c.t[u.i] {
		return u.c.v[u.i]
	}
	t0, t1 := u.c.t[u.i], u.c.t[u.i+1]
	v0, v1 := u.c.v[u.i], u.c.v[u.i+1]
	return v0 + (v1-v0)*(t-t0)/(t1-t0)
}
