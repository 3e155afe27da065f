package waveform

import (
	"math"
	"math/cmplx"
	"slices"
)

// cycle is the mean shape of one period of a ripple: all its periods laid over each other, as functions of the phase.
type cycle struct {
	place   []place // instants in periods
	pure    float64 // variance of the values within a place
	steps   float64 // of the steps of the trace, where noise does not even them out
	perStep float64 // periods a sample
	half    int     // places: half the stretch that is taken for a peak at first
}

const (
	placesOfACycle = 1024
	valuesAPlace   = 16 // at least, in the mean
	fewestPlaces   = 128
	partOfACycle   = 16   // a stretch so small a part of a period is a curve of second degree on either side of a corner or a jump
	leftOut        = 3    // places between the two sides
	cornerAt       = 12   // by how much two lines have to leave less than one curve, their corner being looked for
	twiceAsMuch    = 2    // what curves on either side may leave
	lackOfFit      = 4    // standard deviations by which the fit of one curve to both sides may be worse than the scatter alone
	meetWithin     = 0.15 // of a stretch: two sides that meet within that of the place where they are parted make a corner
	sharper        = 4    // the same for a curve instead of a flat stretch
)

// newCycle lays the periods over each other; false where there are too few values. The frequency is made better first: by how
// far the phase of its component moves from the first to the second half of the record.
func newCycle(values []float64, perStep, resolution float64) (*cycle, bool) {
	for range 2 {
		part := math.Floor(float64(len(values))*perStep/2) / perStep // whole periods
		m := int(math.Round(part))
		turned := phaseOf(values[len(values)-m:], perStep, float64(len(values)-m)) - phaseOf(values[:m], perStep, 0)
		turned = math.Remainder(turned, 1)
		perStep += turned / float64(len(values)-m)
	}
	for n := min(placesOfACycle, len(values)/valuesAPlace); n >= fewestPlaces; n /= 2 {
		if c, ok := overlay(values, perStep, n); ok {
			q := c.dithered(resolution, 0)
			c.steps = float64(len(values)) / float64(n) * q * q / 3
			return c, true
		}
	}
	return nil, false
}

// overlay sorts the values into so many places of a period; false where a place stays empty, as where a period is a whole
// number of samples.
func overlay(values []float64, perStep float64, n int) (*cycle, bool) {
	c := &cycle{place: make([]place, n), perStep: perStep, half: n / partOfACycle}
	for i, v := range values {
		_, phase := math.Modf(float64(i) * perStep)
		p := &c.place[min(int(phase*float64(n)), n-1)]
		p.n++
		p.at += phase
		p.sum += v
		p.square += v * v
	}
	variances := make([]float64, 0, n)
	for _, p := range c.place {
		if p.n < 2 {
			return nil, false
		}
		variances = append(variances, max(0, p.square-p.sum*p.sum/p.n)/(p.n-1))
	}
	slices.Sort(variances)
	var kept tally
	for _, v := range variances[:n-n/32] { // a jump falls into a few
		kept.add(v)
	}
	c.pure = kept.mean()
	return c, true
}

// dithered is how far steps may move the mean of a place, where the shape goes through so many volts about it.
func (c *cycle) dithered(resolution, span float64) float64 {
	noise := math.Sqrt(c.pure)
	if span < 3*resolution && noise < 0.6*resolution { // two codes that take turns scatter so much whatever the noise
		noise = 0
	}
	return quantised(noise, resolution)
}

// phaseOf is the phase of a component at the beginning of the record, in periods; first is the number of the first value.
func phaseOf(values []float64, perStep, first float64) float64 {
	mean := 0.0
	for _, v := range values {
		mean += v / float64(len(values))
	}
	turn := cmplx.Rect(1, 2*math.Pi*perStep)
	at, sum := cmplx.Rect(1, 2*math.Pi*perStep*first), complex(0, 0)
	for _, v := range values {
		sum += complex(v-mean, 0) * at
		at *= turn
	}
	return -cmplx.Phase(sum) / (2 * math.Pi)
}

// curve is a fit to a stretch of a cycle.
type curve struct {
	value, u               float64 // of its highest point
	before, beforeU, slope float64 // at the place that it is seen from, the slope in half stretches
	left                   float64 // sum of squares that it leaves
	span                   float64 // what it goes through
	n                      float64
	bins                   int
	at                     int // the place that it is seen from
}

// varies is the standard deviation of the mean, over the periods, of how far the values within half a stretch of a place lie off
// the mean shape: what a peak varies from period to period.
func (c *cycle) varies(values []float64, place int) float64 {
	var each, period tally
	size, last := len(c.place), 0
	for i, v := range values {
		whole, phase := math.Modf(float64(i) * c.perStep)
		b := min(int(phase*float64(size)), size-1)
		if off := (b-place+size*3/2)%size - size/2; off > c.half/2 || off < -c.half/2 {
			continue
		}
		if int(whole) > last && period.n > 0 {
			each.add(period.mean())
			period, last = tally{}, int(whole)
		}
		period.add(v - c.place[b].sum/c.place[b].n)
	}
	if each.n < few {
		return 0
	}
	return each.deviation() / math.Sqrt(float64(each.n))
}

// fit fits a curve with so many coefficients to the places from..to-1, seen from the place at; sign -1 looks for a trough.
func (c *cycle) fit(from, to, at int, order int, sign float64) curve {
	size := len(c.place)
	half := float64(c.half) / float64(size)
	q := normal{order: order}
	low, high := math.Inf(1), math.Inf(-1)
	there := c.place[(at%size+size)%size]
	origin := sign * there.sum / there.n // so that sums stay exact
	for k := from; k < to; k++ {
		p := c.place[(k%size+size)%size]
		turn := math.Floor(float64(k) / float64(size))
		x := (p.at/p.n + turn - (float64(at)+0.5)/float64(size)) / half
		mean := sign*p.sum/p.n - origin
		low, high = min(low, mean), max(high, mean)
		q.add(x, p.n, p.n*mean, p.n*mean*mean)
	}
	least, most := -1.0, 1.0
	if from >= at {
		least = 0
	}
	if to <= at {
		most = 0
	}
	fitted, ok := q.solve()
	if !ok {
		return curve{at: at, left: math.Inf(1), u: math.Inf(1), beforeU: math.Inf(1), n: q.n, bins: q.places}
	}
	value, variance := fitted.at(fitted.highest(least, most))
	before, beforeVariance := fitted.at(0)
	scatter := max(c.pure, fitted.left/float64(max(1, q.places-order)))
	return curve{
		value: value + origin, u: math.Sqrt(scatter * variance), before: before + origin, beforeU: math.Sqrt(scatter * beforeVariance), slope: fitted.c[1],
		left: fitted.left, span: high - low, n: q.n, bins: q.places, at: at,
	}
}

// highest finds the place about which the mean over ±half/2 is greatest.
func (c *cycle) highest(sign float64) int {
	size, width := len(c.place), c.half/2
	best, at := math.Inf(-1), 0
	for b := range size {
		var n, sum float64
		for k := b - width; k <= b+width; k++ {
			p := &c.place[(k%size+size)%size]
			n, sum = n+p.n, sum+sign*p.sum
		}
		if sum/n > best {
			best, at = sum/n, b
		}
	}
	return at
}

// extreme is the highest point of the cycle, or with sign -1 the lowest: that of a flat stretch or of one curve where these fit,
// else that of the two lines or curves on either side of the corner or the jump that suits best. open is half of how far the
// candidates differ where more than one of them fits; false where none does.
func (c *cycle) extreme(sign float64) (best curve, open float64, ok bool) {
	at := c.highest(sign)
	flat, one := c.fit(at-c.half, at+c.half+1, at, 1, sign), c.fit(at-c.half, at+c.half+1, at, 4, sign)
	fits := c.alike(one.left, one.bins-4)
	if fits && flat.left-one.left <= c.allowed()*(3+sharper*math.Sqrt(2*3)) {
		return c.flat(at, sign), 0, true
	}
	lines, left := c.sides(at, 2, sign)
	if !fits {
		if c.alike(left, one.bins-leftOut-4) {
			return lines, 0, true
		}
		curves, left := c.sides(at, 3, sign)
		return curves, 0, left <= twiceAsMuch*c.allowed()*float64(one.bins)
	}
	better := (one.left-left)/c.allowed() - leftOut // what the lines leave less, in places
	switch {
	case better > cornerAt:
		return lines, 0, true
	case better > 0:
		return curve{value: (one.value + lines.value) / 2, u: max(one.u, lines.u), span: one.span, at: at}, math.Abs(lines.value-one.value) / 2, true
	}
	return one, 0, true
}

// allowed is the variance of a value about the true shape: what scatters, and steps that meet a phase in the same way every time.
func (c *cycle) allowed() float64 { return c.pure + c.steps }

// alike tells whether what a fit leaves is explained.
func (c *cycle) alike(left float64, free int) bool {
	return left <= c.allowed()*(float64(free)+lackOfFit*math.Sqrt(2*float64(free)))
}

// sides fits a curve to either side of each place near to one, left out itself with its neighbours, and takes the best. left is
// the sum of squares within ±half of the place asked for.
func (c *cycle) sides(at, order int, sign float64) (highest curve, left float64) {
	reach, from, to := c.half+1, at-2*c.half-2, at+2*c.half+2
	best, coarse := at, max(1, c.half/8)
	for _, search := range []struct{ reach, step int }{{reach, coarse}, {coarse, 1}} {
		least, centre := math.Inf(1), best
		for k := max(at-reach, centre-search.reach); k <= min(at+reach, centre+search.reach); k += search.step { // the same values every time
			if sum := c.fit(from, k-1, k, order, sign).left + c.fit(k+2, to, k, order, sign).left; sum < least {
				least, best = sum, k
			}
		}
	}
	left = c.fit(min(at-c.half, best-3), best-1, best, order, sign).left + c.fit(best+2, max(at+c.half+1, best+4), best, order, sign).left
	l, r := c.fit(best-c.half, best-1, best, order, sign), c.fit(best+2, best+1+c.half, best, order, sign)
	if l.slope > 0 && r.slope < 0 { // a corner lies where they meet
		if x := (r.before - l.before) / (l.slope - r.slope); math.Abs(x) < meetWithin {
			share := -r.slope / (l.slope - r.slope)
			l.value = share*l.before + (1-share)*r.before
			l.u = math.Hypot(share*l.beforeU, (1-share)*r.beforeU)
			return l, left
		}
	}
	if r.value > l.value {
		return r, left
	}
	return l, left
}

// flat is the mean of the flat stretch about a place, as far as it goes.
func (c *cycle) flat(at int, sign float64) curve {
	whole := c.fit(at-c.half, at+c.half, at, 1, sign)
	from, to := at-c.half, at+c.half
	for _, step := range []int{-1, 1} {
		for to-from < len(c.place)-c.half {
			next := c.fit(to, to+c.half, to, 1, sign)
			if step < 0 {
				next = c.fit(from-c.half, from, from, 1, sign)
			}
			if math.Abs(next.value-whole.value) > 3*math.Sqrt(c.pure*(1/next.n+1/whole.n)) {
				break
			}
			if step < 0 {
				from -= c.half
			} else {
				to += c.half
			}
			whole = c.fit(from, to, at, 1, sign)
		}
	}
	return whole
}
