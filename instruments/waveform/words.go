package waveform

import "math"

// nextAtLeast looks at eight codes at a time: a difference from the code below the limit is negative where the limit is
// reached, and the sign of all eight is one OR away.
func (w words) nextAtLeast(i int, level float64) int {
	level = math.Ceil(level)
	if level > math.MaxInt16 {
		return len(w)
	}
	limit := int32(max(level, math.MinInt16))
	short := limit - 1
	rest := w[min(i, len(w)):]
	for len(rest) >= 8 {
		r := rest[:8]
		if (short-int32(r[0]))|(short-int32(r[1]))|(short-int32(r[2]))|(short-int32(r[3]))|
			(short-int32(r[4]))|(short-int32(r[5]))|(short-int32(r[6]))|(short-int32(r[7])) < 0 {
			break
		}
		rest = rest[8:]
	}
	for k, v := range rest {
		if int32(v) >= limit {
			return len(w) - len(rest) + k
		}
	}
	return len(w)
}

func (w words) nextAtMost(i int, level float64) int {
	level = math.Floor(level)
	if level < math.MinInt16 {
		return len(w)
	}
	limit := int32(min(level, math.MaxInt16))
	beyond := limit + 1
	rest := w[min(i, len(w)):]
	for len(rest) >= 8 {
		r := rest[:8]
		if (int32(r[0])-beyond)|(int32(r[1])-beyond)|(int32(r[2])-beyond)|(int32(r[3])-beyond)|
			(int32(r[4])-beyond)|(int32(r[5])-beyond)|(int32(r[6])-beyond)|(int32(r[7])-beyond) < 0 {
			break
		}
		rest = rest[8:]
	}
	for k, v := range rest {
		if int32(v) <= limit {
			return len(w) - len(rest) + k
		}
	}
	return len(w)
}

// In a record longer than wholly, the histogram counts counted of every stretch neighbours: state levels rest on tens of
// thousands of samples all the same. Where in its stretch a part lies changes by the golden ratio, so that no period of
// the signal falls into step with it. Extremes come from all samples.
const (
	wholly  = 1 << 16
	stretch = 512
	counted = 48
)

func (w words) histogram() histogram {
	h := histogram{n: len(w)}
	if len(w) == 0 {
		return h
	}
	low, high := int32(w[0]), int32(w[0])
	if len(w) <= wholly {
		least, most := w.extent(0, len(w))
		low, high = int32(least), int32(most)
		b := newBinning(low, high)
		b.add(w)
		return b.histogram(len(w), low, high)
	}
	for i := 0; i < len(w); i += len(w) / 1024 {
		low, high = min(low, int32(w[i])), max(high, int32(w[i]))
	}
	b := newBinning(low, high)
	n, at := 0, uint32(0)
	rest := w
	for len(rest) >= stretch {
		block := rest[:stretch]
		low, high = block.widen(low, high)
		at += 0x9e3779b9
		from := int(uint64(at) * (stretch - counted) >> 32)
		b.add(block[from : from+counted])
		n += counted
		rest = rest[stretch:]
	}
	for _, v := range rest {
		low, high = min(low, int32(v)), max(high, int32(v))
	}
	return b.histogram(n, low, high)
}

// widen returns low..high widened to what w holds. Most stretches lie within: that costs one sign a code.
func (w words) widen(low, high int32) (int32, int32) {
	span := high - low
	for rest := w; len(rest) >= 8; rest = rest[8:] {
		r := rest[:8]
		a, b, c, d := int32(r[0])-low, int32(r[1])-low, int32(r[2])-low, int32(r[3])-low
		e, f, g, h := int32(r[4])-low, int32(r[5])-low, int32(r[6])-low, int32(r[7])-low
		if a|b|c|d|e|f|g|h|(span-a)|(span-b)|(span-c)|(span-d)|(span-e)|(span-f)|(span-g)|(span-h) < 0 {
			for _, v := range r {
				low, high = min(low, int32(v)), max(high, int32(v))
			}
			span = high - low
		}
	}
	return low, high
}

// binning counts codes in bins of equal width; what lies outside goes into the bin at that end.
type binning struct {
	low   int32
	width float64
	per   uint64 // bins a code, times 2^32
	count [bins]uint32
	sum   [bins]int64
}

func newBinning(low, high int32) *binning {
	span := uint64(high-low) + 1
	return &binning{low: low, width: float64(span) / bins, per: (bins << 32) / span}
}

func (b *binning) add(w words) {
	for _, v := range w {
		k := uint64(max(0, int32(v)-b.low)) * b.per >> 32
		k = min(k, bins-1)
		b.count[k]++
		b.sum[k] += int64(v)
	}
}

func (b *binning) histogram(n int, low, high int32) histogram {
	h := histogram{n: n, width: b.width, low: float64(low), high: float64(high)}
	for k := range bins {
		h.count[k], h.sum[k] = int(b.count[k]), float64(b.sum[k])
	}
	return h
}
