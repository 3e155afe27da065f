package quantity

import (
	"math"
	"strconv"
	"strings"
)

// printedDigits are enough for any instrument of a repair bench.
const printedDigits = 5

// exact asks for as many digits as tell this number from every other.
const exact = 0

// String writes the value with up to five significant digits and an SI prefix: "350 mA", "5.11 Ω", "1200 rpm".
func (v Value) String() string { return v.format(printedDigits) }

// MarshalText writes the value like String, but with all its digits, so that Parse gives back the very same number.
func (v Value) MarshalText() ([]byte, error) { return []byte(v.format(exact)), nil }

func (v Value) format(digits int) string {
	if v.Number == 0 || math.IsNaN(v.Number) || math.IsInf(v.Number, 0) {
		return join(strconv.FormatFloat(v.Number+0, 'g', -1, 64), v.Unit.String())
	}
	scientific := strconv.FormatFloat(v.Number, 'e', digits-1, 64)
	mantissa, power, _ := strings.Cut(scientific, "e")
	exponent, _ := strconv.Atoi(power) // of FormatFloat's own making
	return v.Unit.write(strings.TrimRight(strings.Replace(mantissa, ".", "", 1), "0"), exponent, exponent)
}

// Digits writes the value as its uncertainty allows: rounded to the uncertainty's second digit, zeros kept. With an
// uncertainty of 50 mV, 72 V is "72.000 V". Without an uncertainty it is String.
func Digits(v Value, uncertainty float64) string {
	if !(uncertainty > 0) || math.IsInf(uncertainty, 0) || math.IsNaN(v.Number) || math.IsInf(v.Number, 0) {
		return v.String()
	}
	size := exponentOf(uncertainty, 2)
	last := size - 1
	steps := math.RoundToEven(v.Number / math.Pow10(last))
	switch {
	case math.Abs(steps) > 1e15 || math.IsNaN(steps): // finer than a float64 tells
		return v.format(exact)
	case steps == 0:
		return v.Unit.write("0", last, size)
	}
	digits := strconv.FormatFloat(steps, 'f', 0, 64)
	exponent := last + len(strings.TrimPrefix(digits, "-")) - 1
	return v.Unit.write(digits, exponent, max(exponent, size))
}

// exponentOf is the power of ten of x's first digit after rounding to digits.
func exponentOf(x float64, digits int) int {
	_, power, _ := strings.Cut(strconv.FormatFloat(x, 'e', digits-1, 64), "e")
	exponent, _ := strconv.Atoi(power) // of FormatFloat's own making
	return exponent
}

// write places point and prefix: digits, with a sign perhaps, begin at 10^exponent; the prefix suits 10^size.
func (u Unit) write(digits string, exponent, size int) string {
	digits, negative := strings.CutPrefix(digits, "-")
	sign := ""
	if negative {
		sign = "-"
	}
	if u == Percent {
		exponent, size = exponent+2, size+2
	}
	p := u.prefixFor(size)
	if digits == "0" { // rounded to tens or hundreds it is still one zero
		exponent = min(exponent, p.exponent)
	}
	text, ok := place(digits, exponent-p.exponent)
	if !ok {
		p, text = prefix{}, mantissaOf(digits)+"e"+strconv.Itoa(exponent)
	}
	return join(sign+text, p.symbol+u.String())
}

// place writes digits that begin at 10^exponent as a plain decimal; not ok when it would be mostly zeros.
func place(digits string, exponent int) (text string, ok bool) {
	switch point := exponent + 1; {
	case point > 15 || point < -5:
		return "", false
	case point <= 0:
		return "0." + strings.Repeat("0", -point) + digits, true
	case point >= len(digits):
		return digits + strings.Repeat("0", point-len(digits)), true
	default:
		return digits[:point] + "." + digits[point:], true
	}
}

func mantissaOf(digits string) string {
	if len(digits) == 1 {
		return digits
	}
	return digits[:1] + "." + digits[1:]
}

func join(number, unit string) string {
	if unit == "" {
		return number
	}
	return number + " " + unit
}
