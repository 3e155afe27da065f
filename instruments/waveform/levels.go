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
	n         int     // samples counted: of a long record of wide codes an even part
	unusable  bool    // holds values that are not finite numbers
}

func (o octets) histogram() histogram {
	// Four tables, so that equal neighbours do not wait for each other's increment.
	var a, b, c, d [bins]uint32
	rest := []byte(o)
	for len(rest) >= 8 {
		x := binary.LittleEndian.Uint64(rest)
		a[byte(x)]++
		b[byte(x>>8)]++
		c[byte(x>>16)]++
		d[byte(x>>24)]++
		a[byte(x>>32)]++
		b[byte(x>>40)]++
		c[byte(x>>48)]++
		d[byte(x>>56)]++
		rest = rest[8:]
	}
	for _, v := range rest {
		a[v]++
	}
	var h histogram
	h.n, h.width = len(o), 1
	first := true
	for v := range bins {
		n := int(a[v]) + int(b[v]) + int(c[v]) + int(d[v])
		h.count[v] = n
		h.sum[v] = float64(n) * float64(v)
		if n > 0 {
			if first {
				h.low, first = float64(v), false
			}
			h.high = float64(v)
		}
	}
	return h
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
	u     float64 // standard uncertainty of the level
	n     int     // samples that it rests on
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
		return state{level: (h.low + h.high) / 2, u: h.high - h.low}
	}
	centre := h.sum[mode] / float64(h.count[mode])
	var n int
	var spread float64
	for range 6 {
		n = 0
		var sum, square float64
		for b := from; b <= to; b++ {
			if h.count[b] == 0 {
				continue
			}
			mean := h.sum[b] / float64(h.count[b])
			if d := mean - centre; math.Abs(d) <= near {
				n += h.count[b]
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
	// What spreads more than noise and resolution explain is shape (ringing, a tail): it may sit on either side.
	shape := max(0, spread*spread-noise*noise-resolution*resolution/12)
	// Whole bins fall into the window or out of it, and the feet of the edges pull a little: seen with random traces, not
	// more than a twentieth of a bin or of the noise.
	window := 0.05 * max(h.width, noise)
	u := math.Sqrt(noise*noise/float64(n) + resolution*resolution/12 + shape + window*window)
	return state{level: centre, u: u, n: n}
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
