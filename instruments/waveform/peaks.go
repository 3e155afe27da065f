package waveform

import (
	"math"
	"slices"
)

// region is what follows one edge: its 50 % instant and the samples from first to last-1, up to where the next edge begins.
type region struct {
	at          float64
	first, last int
}

const (
	shapesFolded  = 128     // edges of a kind that are laid over each other
	pointsFolded  = 1 << 14 // and the samples that are taken from these
	places        = 128     // bins that the mean shape has
	widestPeak    = 0.6     // of an edge's duration: half the stretch that is taken for the tip of a peak at first
	narrower      = 0.7     // by which it is taken less, until what is left of it agrees
	surely        = 4       // standard deviations: the highest of all places is looked at
	fewestOfAPeak = 5       // bins that a tip is fitted to
	standsOutBy   = 5       // standard deviations that a peak has to stand out by: of the ten or so that a region has room for, noise makes none
)

// place is one bin of a mean shape.
type place struct {
	n               float64
	at, sum, square float64 // sums: of the instants, of the values, of their squares
}

// folded is the mean shape of what follows one kind of edge: instants in samples after 50 %, values in codes beyond the state
// that the edge ends in.
type folded struct {
	place     [places]place
	from, per float64 // instant of the first bin, bins a sample
}

// fold lays the regions over each other.
func fold(s samples, regions []region, level, duration float64, rising bool) *folded {
	var from, to tally
	total := 0
	for _, r := range regions {
		from.add(float64(r.first) - r.at + duration/4) // a straight edge takes half of that from 90 % to its state: its corner is no peak
		to.add(float64(r.last-1) - r.at)
		total += r.last - r.first
	}
	if !(to.mean()-from.mean() > 1) {
		return nil
	}
	sign := 1.0
	if !rising {
		sign = -1
	}
	f := &folded{from: from.mean(), per: places / (to.mean() - from.mean())}
	every := (total + pointsFolded - 1) / pointsFolded
	for k, r := range regions {
		s.gather(r.first+k%every, r.last, every, r.at, level, sign, f)
	}
	return f
}

// gather adds every so many-th of the samples first..last-1.
func gather[N number](s []N, first, last, every int, at, level, sign float64, f *folded) {
	for i := first; i < last; i += every {
		u := float64(i) - at
		b := (u - f.from) * f.per
		if !(b >= 0 && b < places) {
			continue
		}
		y := sign * (float64(s[i]) - level)
		p := &f.place[int(b)]
		p.n++
		p.at += u
		p.sum += y
		p.square += y * y
	}
}

// tip is the extreme of a mean shape.
type tip struct {
	at, value float64
	u         float64 // standard uncertainty of the value, by the scatter about the fit
	half      float64 // half the stretch that was fitted
	span      float64 // codes that the fit goes through there
	inside    bool    // it lies within the stretch and not at its end
}

// tip fits a curve of third degree to the stretch of ±half about an instant and finds its extreme; sign -1 looks for a
// trough. False where too few places are seen.
func (f *folded) tip(after, centre, half, sign float64) (t tip, ok bool) {
	for range 4 {
		q := normal{order: highestDegree + 1}
		low, high := math.Inf(1), math.Inf(-1)
		for _, p := range f.place {
			if p.n == 0 {
				continue
			}
			x := (p.at/p.n - centre) / half
			if math.Abs(x) > 1 || p.at/p.n < after {
				continue
			}
			mean := sign * p.sum / p.n
			low, high = min(low, mean), max(high, mean)
			q.add(x, p.n, sign*p.sum, p.square)
		}
		if q.places < fewestOfAPeak || q.n < float64(q.order)+2 {
			return tip{}, false
		}
		curve, good := q.solve()
		if !good {
			return tip{}, false
		}
		x := curve.highest(-1, 1)
		value, variance := curve.at(x)
		t = tip{at: centre + x*half, value: sign * value, half: half, span: high - low, inside: math.Abs(x) < 0.9,
			u: math.Sqrt(curve.left / (q.n - float64(q.order)) * variance)}
		if math.Abs(x) < 0.2 {
			break
		}
		centre = min(max(t.at, after+half/4), max(after, f.from+places/f.per-half/4))
	}
	return t, true
}

// reached is the instant from which on the mean shape has reached the state that the edge ends in.
func (f *folded) reached() (at float64, found bool) {
	for _, p := range f.place {
		if p.n > 0 && p.sum >= 0 {
			return p.at / p.n, true
		}
	}
	return 0, false
}

// plain is a mean over a stretch.
type plain struct{ at, value, n float64 }

// highest is the stretch of ±half, from an instant on, over which the mean is greatest; n is 0 where there is none.
func (f *folded) highest(after, half, sign float64) (best plain) {
	width := max(1, int(half*f.per))
	first := max(0, int((after-f.from)*f.per))
	for b := first; b < places; b++ {
		var n, sum float64
		for _, p := range f.place[max(first, b-width):min(places, b+width+1)] {
			n, sum = n+p.n, sum+sign*p.sum
		}
		if n > 0 && (best.n == 0 || sum/n > best.value) {
			best = plain{f.from + (float64(b)+0.5)/f.per, sum / n, n}
		}
	}
	return best
}

// atLeast is what the mean shape surely reaches, where nothing more can be told: the highest place less what scatter does to it.
func (f *folded) atLeast(after, sign, scatter float64) float64 {
	most := 0.0
	for _, p := range f.place {
		if p.n > 0 && p.at/p.n >= after {
			most = max(most, sign*p.sum/p.n-surely*scatter/math.Sqrt(p.n))
		}
	}
	return most
}

// peak finds the extreme from an instant on: the stretch that is taken for its tip is halved until what half of it says agrees.
func (f *folded) peak(after, duration, sign float64) (tip, bool) {
	half := widestPeak * duration
	most := f.highest(after, half/2, sign)
	if most.n == 0 {
		return tip{}, false
	}
	t, ok := f.tip(after, min(max(most.at, after+half/2), max(after, f.from+places/f.per-half/2)), half, sign)
	for ok {
		narrow, more := f.tip(after, t.at, t.half*narrower, sign)
		if !more || narrow.u >= t.u && math.Abs(narrow.value-t.value) <= 2*narrow.u {
			break
		}
		t = narrow
	}
	return t, ok
}

// scatter is the standard deviation from edge to edge of how far the samples about a tip lie off the fit, as its mean's.
func (f *folded) scatter(s samples, regions []region, level float64, rising bool, t tip) (u float64, edges int) {
	sign := 1.0
	if !rising {
		sign = -1
	}
	var each tally
	for _, r := range regions {
		var sum, n float64
		from, to := int(math.Ceil(r.at+t.at-t.half/2)), int(r.at+t.at+t.half/2)
		for i := max(from, r.first); i <= min(to, r.last-1); i++ {
			b := int((float64(i) - r.at - f.from) * f.per)
			if b >= 0 && b < places && f.place[b].n > 1 {
				sum += sign*(s.at(i)-level) - f.place[b].sum/f.place[b].n
				n++
			}
		}
		if n > 0 {
			each.add(sum / n)
		}
	}
	return each.deviation() / math.Sqrt(float64(max(1, each.n))), each.n
}

func evenly(regions []region, most int) []region {
	if len(regions) <= most {
		return regions
	}
	every := (len(regions) + most - 1) / most
	var some []region
	for i := 0; i < len(regions); i += every {
		some = append(some, regions[i])
	}
	return slices.Clip(some)
}
