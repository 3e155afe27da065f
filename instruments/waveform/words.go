package waveform

import "math"

const (
	everyWord = 0x0001000100010001
	topOfWord = 0x8000800080008000
)

// quad is four codes in one word of the machine, as unsigned ones: a single load.
func quad(w words) uint64 {
	_ = w[3]
	return (uint64(uint16(w[0])) | uint64(uint16(w[1]))<<16 | uint64(uint16(w[2]))<<32 | uint64(uint16(w[3]))<<48) ^ topOfWord
}

// wordsAtLeast does for four words what atLeast does for eight bytes.
func wordsAtLeast(x, y, low uint64) uint64 {
	return (x &^ y) | (^(x ^ y) & ((x | topOfWord) - low))
}

// lanes is a limit in all four words, unsigned, and without its top bits.
func lanes(limit int32) (y, low uint64) {
	y = uint64(uint16(limit)^0x8000) * everyWord
	return y, y &^ topOfWord
}

// nextAtLeast looks at sixteen codes at a time.
func (w words) nextAtLeast(i int, level float64) int {
	level = math.Ceil(level)
	if level > math.MaxInt16 {
		return len(w)
	}
	limit := int32(max(level, math.MinInt16))
	y, low := lanes(limit)
	rest := w[min(i, len(w)):]
	for len(rest) >= 16 {
		r := rest[:16]
		if (wordsAtLeast(quad(r), y, low)|wordsAtLeast(quad(r[4:]), y, low)|wordsAtLeast(quad(r[8:]), y, low)|
			wordsAtLeast(quad(r[12:]), y, low))&topOfWord != 0 {
			break
		}
		rest = rest[16:]
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
	if limit == math.MaxInt16 {
		return min(i, len(w))
	}
	y, low := lanes(limit + 1)
	rest := w[min(i, len(w)):]
	for len(rest) >= 16 {
		r := rest[:16]
		if wordsAtLeast(quad(r), y, low)&wordsAtLeast(quad(r[4:]), y, low)&wordsAtLeast(quad(r[8:]), y, low)&
			wordsAtLeast(quad(r[12:]), y, low)&topOfWord != topOfWord {
			break
		}
		rest = rest[16:]
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

// widen returns low..high widened to what w holds. Most codes lie within.
func (w words) widen(low, high int32) (int32, int32) {
	for rest := w; len(rest) > 0; {
		k := min(rest.nextAtMost(0, float64(low)-1), rest.nextAtLeast(0, float64(high)+1))
		if k == len(rest) {
			break
		}
		low, high = min(low, int32(rest[k])), max(high, int32(rest[k]))
		rest = rest[k+1:]
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
