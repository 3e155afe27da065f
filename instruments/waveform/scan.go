package waveform

import (
	"encoding/binary"
	"math"
	"math/bits"
)

// samples is how the analysis sees the stored codes. Searches run over whole stretches inside one call; at is for the
// few samples around an edge.
type samples interface {
	len() int
	at(i int) float64
	// nextAtLeast returns the first index from i on whose code is level or more, or len.
	nextAtLeast(i int, level float64) int
	// nextAtMost returns the first index from i on whose code is level or less, or len.
	nextAtMost(i int, level float64) int
	histogram() histogram
	extent(from, to int) (low, high float64)
	before(from, limit int, level, band float64, rising bool) (at, perCode float64)
	after(from, limit int, level, band float64, rising bool) (at, perCode float64, ok bool)
	leaves(from, to int, level float64, rising bool) int
	gather(first, last, every int, at, level, sign float64, into *folded)
	interpolate(i int, level float64) float64
	crossings(c *scan)
	// countBeyond is how many codes lie at level or on the far side of it.
	countBeyond(level float64, above bool) int
}

type (
	octets []byte
	words  []int16
	floats []float64
)

const (
	everyByte = 0x0101010101010101
	topBits   = 0x8080808080808080
)

func (o octets) len() int         { return len(o) }
func (o octets) at(i int) float64 { return float64(o[i]) }

// nextAtLeast compares eight codes at a time: the top bit of each byte of the result tells code >= level.
func (o octets) nextAtLeast(i int, level float64) int {
	level = math.Ceil(level)
	if level > 255 {
		return len(o)
	}
	if level <= 0 {
		return min(i, len(o))
	}
	limit := byte(level)
	y := uint64(limit) * everyByte
	low := y &^ topBits
	rest := o[min(i, len(o)):]
	for len(rest) >= 32 {
		a := binary.LittleEndian.Uint64(rest)
		b := binary.LittleEndian.Uint64(rest[8:])
		c := binary.LittleEndian.Uint64(rest[16:])
		d := binary.LittleEndian.Uint64(rest[24:])
		if (atLeast(a, y, low)|atLeast(b, y, low)|atLeast(c, y, low)|atLeast(d, y, low))&topBits != 0 {
			break
		}
		rest = rest[32:]
	}
	for len(rest) >= 8 {
		if hit := atLeast(binary.LittleEndian.Uint64(rest), y, low) & topBits; hit != 0 {
			return len(o) - len(rest) + bits.TrailingZeros64(hit)/8
		}
		rest = rest[8:]
	}
	for k, c := range rest {
		if c >= limit {
			return len(o) - len(rest) + k
		}
	}
	return len(o)
}

func (o octets) nextAtMost(i int, level float64) int {
	level = math.Floor(level) + 1 // first code that is too high
	if level <= 0 {
		return len(o)
	}
	if level > 255 {
		return min(i, len(o))
	}
	limit := byte(level)
	y := uint64(limit) * everyByte
	low := y &^ topBits
	rest := o[min(i, len(o)):]
	for len(rest) >= 32 {
		a := binary.LittleEndian.Uint64(rest)
		b := binary.LittleEndian.Uint64(rest[8:])
		c := binary.LittleEndian.Uint64(rest[16:])
		d := binary.LittleEndian.Uint64(rest[24:])
		if atLeast(a, y, low)&atLeast(b, y, low)&atLeast(c, y, low)&atLeast(d, y, low)&topBits != topBits {
			break
		}
		rest = rest[32:]
	}
	for len(rest) >= 8 {
		if hit := ^atLeast(binary.LittleEndian.Uint64(rest), y, low) & topBits; hit != 0 {
			return len(o) - len(rest) + bits.TrailingZeros64(hit)/8
		}
		rest = rest[8:]
	}
	for k, c := range rest {
		if c < limit {
			return len(o) - len(rest) + k
		}
	}
	return len(o)
}

// atLeast sets the top bit of every byte of x that is not below the same byte of y; low is y without its top bits. The
// other bits of the result mean nothing.
func atLeast(x, y, low uint64) uint64 {
	return (x &^ y) | (^(x ^ y) & ((x | topBits) - low))
}

func (o octets) extent(from, to int) (low, high float64) { return extent(o, from, to) }

func (o octets) before(from, limit int, level, band float64, rising bool) (at, perCode float64) {
	return before(o, from, limit, level, band, rising)
}

func (o octets) after(from, limit int, level, band float64, rising bool) (at, perCode float64, ok bool) {
	return after(o, from, limit, level, band, rising)
}

func (o octets) countBeyond(level float64, above bool) int { return countBeyond(o, level, above) }

func (o octets) leaves(from, to int, level float64, rising bool) int {
	return leaves(o, from, to, level, rising)
}

func (o octets) gather(first, last, every int, at, level, sign float64, into *folded) {
	gather(o, first, last, every, at, level, sign, into)
}

func (o octets) interpolate(i int, level float64) float64 { return interpolate(o, i, level) }

func (w words) len() int         { return len(w) }
func (w words) at(i int) float64 { return float64(w[i]) }

func (w words) extent(from, to int) (low, high float64) { return extent(w, from, to) }

func (w words) before(from, limit int, level, band float64, rising bool) (at, perCode float64) {
	return before(w, from, limit, level, band, rising)
}

func (w words) after(from, limit int, level, band float64, rising bool) (at, perCode float64, ok bool) {
	return after(w, from, limit, level, band, rising)
}

func (w words) crossings(c *scan) { crossings(w, c, words.nextAtLeast, words.nextAtMost) }

func (w words) countBeyond(level float64, above bool) int { return countBeyond(w, level, above) }

func (w words) leaves(from, to int, level float64, rising bool) int {
	return leaves(w, from, to, level, rising)
}

func (w words) gather(first, last, every int, at, level, sign float64, into *folded) {
	gather(w, first, last, every, at, level, sign, into)
}

func (w words) interpolate(i int, level float64) float64 { return interpolate(w, i, level) }

func (f floats) len() int         { return len(f) }
func (f floats) at(i int) float64 { return f[i] }

func (f floats) nextAtLeast(i int, level float64) int {
	for k := min(i, len(f)); k < len(f); k++ {
		if f[k] >= level {
			return k
		}
	}
	return len(f)
}

func (f floats) nextAtMost(i int, level float64) int {
	for k := min(i, len(f)); k < len(f); k++ {
		if f[k] <= level {
			return k
		}
	}
	return len(f)
}

func (f floats) extent(from, to int) (low, high float64) { return extent(f, from, to) }

func (f floats) before(from, limit int, level, band float64, rising bool) (at, perCode float64) {
	return before(f, from, limit, level, band, rising)
}

func (f floats) after(from, limit int, level, band float64, rising bool) (at, perCode float64, ok bool) {
	return after(f, from, limit, level, band, rising)
}

func (f floats) crossings(c *scan) { crossings(f, c, floats.nextAtLeast, floats.nextAtMost) }

func (f floats) countBeyond(level float64, above bool) int { return countBeyond(f, level, above) }

func (f floats) leaves(from, to int, level float64, rising bool) int {
	return leaves(f, from, to, level, rising)
}

func (f floats) gather(first, last, every int, at, level, sign float64, into *folded) {
	gather(f, first, last, every, at, level, sign, into)
}

func (f floats) interpolate(i int, level float64) float64 { return interpolate(f, i, level) }
