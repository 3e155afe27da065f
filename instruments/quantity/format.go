package quantity

import (
	"math"
	"strconv"
)

const significantDigits = 5

// prefixes from 10^-12 to 10^9.
var prefixes = []string{"p", "n", "µ", "m", "", "k", "M", "G"}

const unprefixed = 4

// String writes the value with up to five significant digits and an SI prefix: "350 mA", "5.11 Ω", "1200 rpm".
func (v Value) String() string { return v.format(significantDigits) }

func (v Value) format(digits int) string {
	number, prefix := v.Number, ""
	n, known := named(v.Unit)
	switch {
	case v.Unit == Percent:
		number *= 100
	case known && n.prefixes:
		number, prefix = scaled(number, digits)
	}
	text := strconv.FormatFloat(roundTo(number, digits), 'f', -1, 64)
	if math.Abs(number) >= 1e15 || (number != 0 && math.Abs(number) < 1e-6) {
		text = strconv.FormatFloat(number, 'g', digits, 64)
	}
	if v.Unit == One {
		return text
	}
	return text + " " + prefix + v.Unit.String()
}

// scaled moves the number to 1..999 with the prefix that belongs to it.
func scaled(number float64, digits int) (float64, string) {
	if number == 0 || math.IsNaN(number) || math.IsInf(number, 0) {
		return number, ""
	}
	step := int(math.Floor(math.Log10(math.Abs(roundTo(number, digits))) / 3))
	step = max(-unprefixed, min(step, len(prefixes)-1-unprefixed))
	return number * math.Pow(1000, float64(-step)), prefixes[step+unprefixed]
}

func roundTo(x float64, digits int) float64 {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return x
	}
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'e', digits-1, 64), 64)
	if err != nil {
		return x
	}
	return rounded
}

// Digits writes the value as its uncertainty allows: rounded to the uncertainty's second digit.
func Digits(v Value, uncertainty float64) string {
	if !(uncertainty > 0) || v.Number == 0 {
		return v.String()
	}
	last := math.Floor(math.Log10(uncertainty)) - 1
	digits := int(math.Floor(math.Log10(math.Abs(v.Number)))-last) + 1
	return v.format(max(1, min(digits, 15)))
}
