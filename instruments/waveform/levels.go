package waveform

import (
	"encoding/binary"
	"math"
	"slices"
)

const bins = 256

// histogram counts the codes of a trace in bins of equal width and keeps the sum of each bin, so that a mean over bins
// is exact.
type histogram struct {
	count     [bins]int
	sum       [bins]float64
	low, high float64 // extremes
	width     float64 // of one bin
	n         int     // samples counted: of a long record of codes an even part
	unusable  bool    // holds values that are not finite numbers
}

// In a record longer than wholly, the histogram counts counted of every stretch neighbours: state levels rest on tens of
// thousands of samples all the same. Where in its stretch a part lies changes by the golden ratio, so that no period of
// the signal falls into step with it. Extremes come from all samples.
const (
	wholly  = 1 << 16
	stretch = 512
	counted = 48
)

// thinned is where the counted parts of the stretches begin.
type thinned struct{ turn uint32 }

func (t *thinned) next() int {
	t.turn += 0x9e3779b9
	return int(uint64(t.turn) * (stretch - counted) >> 32)
}

func (o octets) histogram() histogram {
	h := histogram{width: 1}
	if len(o) == 0 {
		return h
	}
	// Four tables, so that equal neighbours do not wait for each other's increment.
	var counts [4][bins]uint32
	low, high := o[0], o[0]
	if len(o) <= wholly {
		low, high = o.widen(low, high)
		o.count(&counts)
		h.n = len(o)
	} else {
		rest, part := o, thinned{}
		for len(rest) >= stretch {
			low, high = rest[:stretch].widen(low, high)
			from := part.next()
			rest[from : from+counted].count(&counts)
			h.n += counted
			rest = rest[stretch:]
		}
		low, high = rest.widen(low, high)
	}
	h.low, h.high = float64(low), float64(high)
	for v := range bins {
		n := int(counts[0][v]) + int(counts[1][v]) + int(counts[2][v]) + int(counts[3][v])
		h.count[v] = n
		h.sum[v] = float64(n) * float64(v)
	}
	return h
}

func (o octets) count(into *[4][bins]uint32) {
	rest := []byte(o)
	for len(rest) >= 8 {
		x := binary.LittleEndian.Uint64(rest)
		into[0][byte(x)]++
		into[1][byte(x>>8)]++
		into[2][byte(x>>16)]++
		into[3][byte(x>>24)]++
		into[0][byte(x>>32)]++
		into[1][byte(x>>40)]++
		into[2][byte(x>>48)]++
		into[3][byte(x>>56)]++
		rest = rest[8:]
	}
	for _, v := range rest {
		into[0][v]++
	}
}

func (f floats) histogram() histogram {
	h := histogram{n: len(f)}
	if len(f) == 0 {
		return h
	}
	h.low, h.high = f.extent(0, len(f))
	if math.IsNaN(h.low+h.high) || math.IsInf(h.low, 0) || math.IsInf(h.high, 0) {
		h.unusable = true
		return h
	}
	width := h.high - h.low
	if width == 0 {
		h.count[0], h.sum[0] = len(f), h.low*float64(len(f))
		return h
	}
	per := bins / width
	h.width = width / bins
	for _, v := range f {
		b := min(int((v-h.low)*per), bins-1)
		h.count[b]++
		h.sum[b] += v
	}
	return h
}

// state is one of the two levels of a trace, in codes.
type state struct {
	level float64
	u     budget // of the level
	fine  budget // the same without what is left in hand: for peaks, where the level counts most
	n     int    // samples that it rests on
}

// levels finds the two state levels by the histogram: it is split in the middle between the extremes, and each half
// gives the mean around its mode.
//
// Source: IEEE Std 181-2011, histogram method for state levels (mode of each half).
func (h *histogram) levels(noise, resolution float64) (low, high state) {
	first, last := 0, bins-1
	for first < last && h.count[first] == 0 {
		first++
	}
	for last > first && h.count[last] == 0 {
		last--
	}
	middle := (first + last) / 2
	near := max(2*noise, 0.03*(h.high-h.low), 0.75*resolution)
	low = h.state(first, middle, near, noise, resolution)
	if first == last {
		return low, low
	}
	return low, h.state(middle+1, last, near, noise, resolution)
}

// state looks for the densest place of the bins from..to and centres a window of half width near on it.
func (h *histogram) state(from, to int, near, noise, resolution float64) state {
	mode, best := from, -1
	for b := from; b <= to; b++ {
		n := 2 * h.count[b]
		if b > from {
			n += h.count[b-1]
		}
		if b < to {
			n += h.count[b+1]
		}
		if h.count[b] > 0 && n > best {
			mode, best = b, n
		}
	}
	if h.count[mode] == 0 {
		return state{level: (h.low + h.high) / 2, u: wide(h.high - h.low), fine: wide(h.high - h.low)}
	}
	centre := h.sum[mode] / float64(h.count[mode])
	var n, most, second int // samples in the window and in its two fullest bins
	var spread float64
	for range 6 {
		n, most, second = 0, 0, 0
		var sum, square float64
		for b := from; b <= to; b++ {
			if h.count[b] == 0 {
				continue
			}
			mean := h.sum[b] / float64(h.count[b])
			if d := mean - centre; math.Abs(d) <= near {
				n += h.count[b]
				most, second = max(most, h.count[b]), max(second, min(most, h.count[b]))
				sum += d * float64(h.count[b])
				square += d * d * float64(h.count[b])
			}
		}
		if n == 0 {
			break
		}
		shift := sum / float64(n)
		spread = math.Sqrt(max(0, square/float64(n)-shift*shift))
		centre += shift
		near = min(near, max(2*noise, 0.75*resolution, 3*spread)) // leaves the feet of the edges out
	}
	n = max(n, 1)
	var u budget
	u.scatters(noise / math.Sqrt(float64(n)))
	dither := min(noise, spread) // codes that alternate differ by more than they spread
	if two := h.width < 1.01*resolution && (n-most-second)*100 < n; two || dither < 0.54*resolution && h.width > 1.01*resolution {
		dither = 0
	}
	u.within(quantised(dither, resolution))
	// What spreads more than noise and resolution explain is shape (ringing, a tail). Lying within near of the level, as
	// tails do, it cannot shift a mean by more than this.
	// The noise is known to a tenth of its square.
	if shape := max(0, spread*spread-1.1*noise*noise-resolution*resolution/12); shape > 0 {
		u.within(min(math.Sqrt(shape), 2*shape/near))
	}
	// Whole bins fall into the window or out of it, and the feet of the edges pull a little: seen with random traces, not
	// more than a twentieth of a bin or of the noise, and mostly less.
	fine := u
	u.scatters(0.05 * max(h.width, noise))
	if h.width < 1.01*resolution {
		fine.scatters(0.05 * max(h.width, noise))
	} else {
		fine.within(0.015 * h.width)
		fine.within(0.06 * noise)
	}
	return state{level: centre, u: u, fine: fine, n: n}
}

func wide(span float64) (u budget) {
	u.within(span)
	return u
}

// quantised is how far the mean of many quantised samples of a constant level may lie from it, in codes: half a step
// without noise, and next to nothing where noise spreads the samples over several steps. The noise is that of the quantised
// samples. Two codes that toggle scatter by up to half a step whatever the noise: the caller has to rule them out.
//
// Source: first harmonic of the mean error of a uniform quantiser with normal noise, exp(-2π²σ²/q²), computed here.
func quantised(noise, resolution float64) float64 {
	if resolution == 0 {
		return 0
	}
	steps := max(0, noise*noise/(resolution*resolution)-1.0/12)
	return resolution / 2 * math.Exp(-2*math.Pi*math.Pi*steps)
}

// noise estimates the standard deviation of the noise, in codes, from differences of neighbours at up to 1024 places
// spread over the trace; edges are outvoted.
func noise(s samples, resolution float64) float64 {
	n := s.len() - 1
	if n < 8 {
		return 0
	}
	const most = 1024
	var buffer [most]float64
	places := min(n, most)
	diffs := buffer[:places]
	for k := range diffs {
		i := k * n / places
		diffs[k] = math.Abs(s.at(i+1) - s.at(i))
	}
	slices.Sort(diffs)
	limit := max(5*diffs[places/2], 1.5*resolution)
	var square float64
	var used int
	for _, d := range diffs {
		if d > limit {
			break
		}
		square += d * d
		used++
	}
	return math.Sqrt(square / float64(2*used))
}

// ReferenceLevel returns the level at the given percentage between two state levels.
//
// Source: IEEE Std 181-2011, percent reference level: s1 + x/100·(s2 - s1).
func ReferenceLevel(low, high, percent float64) float64 { return low + percent/100*(high-low) }
