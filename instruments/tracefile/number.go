package tracefile

import (
	"math"
	"strconv"
)

// powers of ten that a float64 holds exactly.
var powers = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// number reads a decimal number that fills the cell; point is its decimal point. Up to 15 digits and a small exponent are
// exact in one multiplication or division of float64; all else goes the long way.
func number(cell []byte, point byte) (x float64, ok bool) {
	i, negative := 0, false
	if i < len(cell) && (cell[i] == '+' || cell[i] == '-') {
		negative = cell[i] == '-'
		i++
	}
	mantissa, digits, scale, seen := uint64(0), 0, 0, false
	for ; i < len(cell) && cell[i]-'0' <= 9; i++ {
		mantissa, seen = mantissa*10+uint64(cell[i]-'0'), true
		if mantissa > 0 {
			digits++
		}
	}
	if i < len(cell) && cell[i] == point {
		for i++; i < len(cell) && cell[i]-'0' <= 9; i++ {
			mantissa, seen = mantissa*10+uint64(cell[i]-'0'), true
			scale--
			if mantissa > 0 {
				digits++
			}
		}
	}
	if !seen {
		return 0, false
	}
	if i < len(cell) && (cell[i] == 'e' || cell[i] == 'E') {
		exponent, read := exponentOf(cell[i+1:])
		if !read {
			return 0, false
		}
		scale += exponent
		i = len(cell)
	}
	if i != len(cell) {
		return 0, false
	}
	if digits > 15 || scale < -22 || scale > 22 {
		return long(cell, point)
	}
	x = float64(mantissa)
	if scale < 0 {
		x /= powers[-scale]
	} else {
		x *= powers[scale]
	}
	if negative {
		x = -x
	}
	return x, true
}

func exponentOf(text []byte) (e int, ok bool) {
	negative := false
	if len(text) > 0 && (text[0] == '+' || text[0] == '-') {
		negative = text[0] == '-'
		text = text[1:]
	}
	if len(text) == 0 || len(text) > 5 {
		return 0, false
	}
	for _, c := range text {
		if c-'0' > 9 {
			return 0, false
		}
		e = e*10 + int(c-'0')
	}
	if negative {
		e = -e
	}
	return e, true
}

func long(cell []byte, point byte) (float64, bool) {
	text := append([]byte(nil), cell...)
	for i := range text {
		if text[i] == point {
			text[i] = '.'
		}
	}
	x, err := strconv.ParseFloat(string(text), 64)
	return x, err == nil && !math.IsInf(x, 0)
}
