package waveform

import (
	"encoding/binary"
	"math"
	"math/bits"
)

// crossings does what the function of that name does, with integers: seen along the edge, that is with all bits turned over
// for a falling one, an edge always rises, so that the two kinds need no branch.
func (o octets) crossings(c *scan) {
	upper, lower := math.Ceil(c.upper), math.Floor(c.lower)
	if upper > 255 || lower < 0 || upper < 0 || lower > 255 {
		c.n = 0 // known, and so on one side of a level that no code can pass: it stays there
		c.pos = len(o)
		return
	}
	prove := [2]byte{byte(upper), ^byte(lower)}
	middle := [2]byte{byte(math.Ceil(c.level)), ^byte(math.Floor(c.level))}
	// At or below this code, seen along the edge, noise does not reach the level.
	clear := [2]float64{c.level - c.band, 255 - c.level - c.band}
	pos, side, n := c.pos, 0, 0
	if c.high {
		side = 1
	}
	for n < len(c.found) {
		turn := byte(-side)
		confirm := o.nextTurned(pos, prove[side], turn)
		if confirm >= len(o) {
			pos = confirm
			break
		}
		i := confirm
		m := middle[side]
		for i > pos && o[i-1]^turn >= m {
			i--
		}
		x := &c.found[n]
		x.rising, x.confirm = side == 0, confirm
		if i > pos && float64(o[i-1]^turn) <= clear[side] {
			a, b := float64(o[i-1]), float64(o[i])
			perCode := 1 / (b - a)
			x.at, x.perCode = float64(i-1)+(c.level-a)*perCode, math.Abs(perCode)
		} else {
			x.at, x.perCode = before(o, confirm, pos, c.level, c.band, side == 0)
		}
		side ^= 1
		pos = confirm
		n++
	}
	c.high, c.pos, c.n = side == 1, pos, n
}

// nextTurned returns the first index from i on whose code, turned over by turn, is limit or more, or len.
func (o octets) nextTurned(i int, limit, turn byte) int {
	y := uint64(limit) * everyByte
	low := y &^ topBits
	over := uint64(turn) * everyByte
	rest := o[min(i, len(o)):]
	for range 4 {
		if len(rest) < 8 {
			break
		}
		if hit := atLeast(binary.LittleEndian.Uint64(rest)^over, y, low) & topBits; hit != 0 {
			return len(o) - len(rest) + bits.TrailingZeros64(hit)/8
		}
		rest = rest[8:]
	}
	for len(rest) >= 32 {
		a := binary.LittleEndian.Uint64(rest) ^ over
		b := binary.LittleEndian.Uint64(rest[8:]) ^ over
		c := binary.LittleEndian.Uint64(rest[16:]) ^ over
		d := binary.LittleEndian.Uint64(rest[24:]) ^ over
		if (atLeast(a, y, low)|atLeast(b, y, low)|atLeast(c, y, low)|atLeast(d, y, low))&topBits != 0 {
			break
		}
		rest = rest[32:]
	}
	for len(rest) >= 8 {
		if hit := atLeast(binary.LittleEndian.Uint64(rest)^over, y, low) & topBits; hit != 0 {
			return len(o) - len(rest) + bits.TrailingZeros64(hit)/8
		}
		rest = rest[8:]
	}
	for k, v := range rest {
		if v^turn >= limit {
			return len(o) - len(rest) + k
		}
	}
	return len(o)
}

// widen returns low..high widened to what o holds. Most codes lie within.
func (o octets) widen(low, high byte) (byte, byte) {
	rest := []byte(o)
	for len(rest) >= 32 && (low > 0 || high < 255) {
		least, most := uint64(low)*everyByte, uint64(high)*everyByte
		leastLow := least &^ topBits
		for len(rest) >= 32 {
			a := binary.LittleEndian.Uint64(rest)
			b := binary.LittleEndian.Uint64(rest[8:])
			c := binary.LittleEndian.Uint64(rest[16:])
			d := binary.LittleEndian.Uint64(rest[24:])
			inside := atLeast(a, least, leastLow) & atLeast(b, least, leastLow) & atLeast(c, least, leastLow) & atLeast(d, least, leastLow) &
				atLeast(most, a, a&^topBits) & atLeast(most, b, b&^topBits) & atLeast(most, c, c&^topBits) & atLeast(most, d, d&^topBits)
			if inside&topBits != topBits {
				break
			}
			rest = rest[32:]
		}
		if len(rest) < 32 {
			break
		}
		for _, v := range rest[:32] {
			low, high = min(low, v), max(high, v)
		}
		rest = rest[32:]
	}
	if low == 0 && high == 255 {
		return low, high
	}
	for _, v := range rest {
		low, high = min(low, v), max(high, v)
	}
	return low, high
}
