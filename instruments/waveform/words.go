package waveform

import "math"

const (
	everyWord = 0x0001000100010001
	topOfWord = 0x8000800080008000
)

// quad is four codes from the k-th on in one word of the machine, as unsigned ones: a single load.
func quad(w *[16]int16, k int) uint64 {
	return (uint64(uint16(w[k])) | uint64(uint16(w[k+1]))<<16 | uint64(uint16(w[k+2]))<<32 | uint64(uint16(w[k+3]))<<48) ^ topOfWord
}

// halves drops the last bit of four codes, so that the top bit of each is free to borrow from: (a|topOfWord)-b keeps it where
// a is not below b.
func halves(x uint64) uint64 { return x >> 1 &^ topOfWord }

// halved is a code, counted from the least that there is, without its last bit, four times.
func halved(code int32) uint64 { return uint64(code-math.MinInt16) / 2 * everyWord }

// nextAtLeast asks sixteen codes at a time, without their last bit, whether one may reach the level.
func (w words) nextAtLeast(i int, level float64) int {
	level = math.Ceil(level)
	if level > math.MaxInt16 {
		return len(w)
	}
	limit := int32(max(level, math.MinInt16))
	half := halved(limit)
	rest := w[min(i, len(w)):]
	for len(rest) >= 16 {
		r := (*[16]int16)(rest)
		a, b, c, d := halves(quad(r, 0)), halves(quad(r, 4)), halves(quad(r, 8)), halves(quad(r, 12))
		if (((a|topOfWord)-half)|((b|topOfWord)-half)|((c|topOfWord)-half)|((d|topOfWord)-half))&topOfWord != 0 {
			for k, v := range r {
				if int32(v) >= limit {
					return len(w) - len(rest) + k
				}
			}
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
	half := halved(limit) | topOfWord
	rest := w[min(i, len(w)):]
	for len(rest) >= 16 {
		r := (*[16]int16)(rest)
		a, b, c, d := halves(quad(r, 0)), halves(quad(r, 4)), halves(quad(r, 8)), halves(quad(r, 12))
		if ((half-a)|(half-b)|(half-c)|(half-d))&topOfWord != 0 {
			for k, v := range r {
				if int32(v) <= limit {
					return len(w) - len(rest) + k
				}
			}
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
	n := 0
	rest, part := w, thinned{}
	for len(rest) >= stretch {
		block := rest[:stretch]
		low, high = block.widen(low, high)
		from := part.next()
		b.add(block[from : from+counted])
		n += counted
		rest = rest[stretch:]
	}
	for _, v := range rest {
		low, high = min(low, int32(v)), max(high, int32(v))
	}
	return b.histogram(n, low, high)
}

// widen returns low..high widened to what w holds. Most codes lie within: sixteen are first asked, without their last bit,
// whether one may lie outside.
func (w words) widen(low, high int32) (int32, int32) {
	rest := w
	for len(rest) >= 16 {
		// Codes from 2·floor to 2·ceiling+1, counted from the least that there is, lie within for certain.
		floor, ceiling := halved(low+1), halved(high+1)-everyWord
		if high == math.MinInt16 {
			ceiling, floor = 0, topOfWord-everyWord
		}
		ceiling |= topOfWord
		for len(rest) >= 16 {
			r := (*[16]int16)(rest)
			a, b, c, d := halves(quad(r, 0)), halves(quad(r, 4)), halves(quad(r, 8)), halves(quad(r, 12))
			inside := (ceiling - a) & (ceiling - b) & (ceiling - c) & (ceiling - d) &
				((a | topOfWord) - floor) & ((b | topOfWord) - floor) & ((c | topOfWord) - floor) & ((d | topOfWord) - floor)
			if inside&topOfWord != topOfWord {
				break
			}
			rest = rest[16:]
		}
		if len(rest) < 16 {
			break
		}
		for _, v := range rest[:16] {
			low, high = min(low, int32(v)), max(high, int32(v))
		}
		rest = rest[16:]
	}
	for _, v := range rest {
		low, high = min(low, int32(v)), max(high, int32(v))
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
