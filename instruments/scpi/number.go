package scpi

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

var (
	// ErrNoReading is the answer 9.91E37: the instrument has no number to give.
	ErrNoReading = errors.New("the instrument has no reading (it answered SCPI's \"not a number\")")
	// ErrOverrange is an answer of 9.9E37 or beyond, of either sign: the
	// instrument's input is past its range.
	ErrOverrange = errors.New("the input is past the instrument's range (it answered SCPI's \"infinity\")")
)

// The stand-ins for a missing value.
//
// Source: SCPI-99 volume 1, numeric data: INFinity, NINFinity and NAN.
const (
	infinity    = 9.9e37
	notANumber  = 9.91e37
	singleStep  = 1e-6 // instruments that compute in 32 bits print 9.9E37 as 9.8999997E37
	overrangeAt = infinity * (1 - singleStep)
)

// ParseNumber reads one numeric answer (NR1, NR2 or NR3), white space around it
// allowed. What it returns is always finite and below 9.9E37 in magnitude.
//
// 9.91E37 is ErrNoReading; everything else at or beyond 9.9E37, of either sign,
// is ErrOverrange; any other text is an error that quotes it. Units are not
// accepted here.
func ParseNumber(answer string) (float64, error) {
	text := strings.TrimFunc(answer, isSpaceRune)
	if text == "" {
		return 0, errors.New("the answer is empty where a number was expected")
	}
	if !isDecimal(text) {
		return 0, fmt.Errorf("the answer %s is not a number", quote(answer))
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil && !errors.Is(err, strconv.ErrRange) {
		return 0, fmt.Errorf("the answer %s is not a number", quote(answer))
	}
	if math.Abs(x-notANumber) <= notANumber*singleStep {
		return 0, fmt.Errorf("%w: %s", ErrNoReading, quote(answer))
	}
	if math.Abs(x) >= overrangeAt {
		return 0, fmt.Errorf("%w: %s", ErrOverrange, quote(answer))
	}
	return x, nil
}

// FormatNumber writes a number as an instrument answers it (NR3, with as many
// digits as it takes to read the same number back). NaN is 9.91E+37, and what
// is beyond 9.9E37 is the stand-in for infinity.
func FormatNumber(x float64) string {
	switch {
	case math.IsNaN(x):
		return "9.91E+37"
	case x >= infinity:
		return "9.9E+37"
	case x <= -infinity:
		return "-9.9E+37"
	}
	text := strconv.FormatFloat(x, 'E', -1, 64)
	if strings.Contains(text, ".") {
		return text
	}
	return strings.Replace(text, "E", ".0E", 1) // an NR3 has a decimal point
}

// isDecimal reports whether text is an NRf without white space.
func isDecimal(text string) bool {
	i := 0
	if i < len(text) && (text[i] == '+' || text[i] == '-') {
		i++
	}
	whole := digitsAt(text[i:])
	i += whole
	fraction := 0
	if i < len(text) && text[i] == '.' {
		i++
		fraction = digitsAt(text[i:])
		i += fraction
	}
	if whole+fraction == 0 {
		return false
	}
	if i < len(text) && (text[i] == 'E' || text[i] == 'e') {
		i++
		if i < len(text) && (text[i] == '+' || text[i] == '-') {
			i++
		}
		exponent := digitsAt(text[i:])
		if exponent == 0 {
			return false
		}
		i += exponent
	}
	return i == len(text)
}

func digitsAt(text string) int {
	n := 0
	for n < len(text) && isDigit(text[n]) {
		n++
	}
	return n
}

// quote shows an answer in an error, cut short where it is long.
func quote(answer string) string {
	const most = 60
	if len(answer) > most {
		return strconv.Quote(answer[:most]) + fmt.Sprintf(" and %d bytes more", len(answer)-most)
	}
	return strconv.Quote(answer)
}
