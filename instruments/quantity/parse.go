package quantity

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

var prefixFactors = []struct {
	text   string
	factor float64
}{{"p", 1e-12}, {"n", 1e-9}, {"u", 1e-6}, {"µ", 1e-6}, {"μ", 1e-6}, {"m", 1e-3}, {"k", 1e3}, {"M", 1e6}, {"G", 1e9}}

// Parse reads a number with its unit: "72 V", "1.2 µs", "5.11 ohm", "3 %". Case tells milli from mega; a bare number is
// refused.
func Parse(text string) (Value, error) {
	trimmed := strings.TrimSpace(text)
	end := numberEnd(trimmed)
	number, err := strconv.ParseFloat(trimmed[:end], 64)
	if err != nil || math.IsInf(number, 0) || math.IsNaN(number) {
		return Value{}, fmt.Errorf(`%q is no quantity; write a number with its unit, for example "72 V"`, text)
	}
	symbol := strings.TrimSpace(trimmed[end:])
	if symbol == "" {
		return Value{}, fmt.Errorf(`%q has no unit; write one, for example "%s V"`, text, trimmed)
	}
	unit, factor, err := readUnit(symbol)
	if err != nil {
		return Value{}, fmt.Errorf("%q: %w", text, err)
	}
	scaled := number * factor
	if factor < 1 {
		scaled = number / math.Round(1/factor) // 0.35, not 0.35000000000000003
	}
	if math.IsInf(scaled, 0) {
		return Value{}, fmt.Errorf("%q is too large", text)
	}
	return Value{scaled, unit}, nil
}

// ParseAs is Parse for a text that has to be in a certain unit.
func ParseAs(text string, want Unit) (Value, error) {
	v, err := Parse(text)
	if err != nil {
		return Value{}, err
	}
	if v.Unit != want {
		return Value{}, fmt.Errorf("wants %s, got %q", want.words(), text)
	}
	return v, nil
}

// numberEnd is where the decimal number ends that s begins with.
func numberEnd(s string) int {
	i := 0
	sign := func() {
		if i < len(s) && (s[i] == '+' || s[i] == '-') {
			i++
		}
	}
	digits := func() (n int) {
		for i < len(s) && (s[i] >= '0' && s[i] <= '9') {
			i, n = i+1, n+1
		}
		return n
	}
	sign()
	n := digits()
	if i < len(s) && s[i] == '.' {
		i++
		n += digits()
	}
	if n == 0 {
		return 0
	}
	if i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		before := i
		i++
		sign()
		if digits() == 0 {
			return before
		}
	}
	return i
}

func readUnit(symbol string) (Unit, float64, error) {
	switch symbol { // longer times are common in files
	case "min":
		return Second, 60, nil
	case "h":
		return Second, 3600, nil
	case "%":
		return Percent, 0.01, nil
	}
	if u, ok := UnitOf(symbol); ok {
		return u, 1, nil
	}
	for _, p := range prefixFactors {
		rest, ok := strings.CutPrefix(symbol, p.text)
		if !ok {
			continue
		}
		if u, ok := UnitOf(rest); ok && rest != "" {
			if n, _ := named(u); !n.prefixes {
				return Unit{}, 0, fmt.Errorf("%s takes no prefix", rest)
			}
			return u, p.factor, nil
		}
	}
	return Unit{}, 0, unknownUnit(symbol)
}

func unknownUnit(symbol string) error {
	for _, n := range names {
		for _, known := range append([]string{n.symbol, n.plural}, n.others...) {
			for _, p := range append([]string{""}, "p", "n", "u", "µ", "m", "k", "M", "G") {
				if strings.EqualFold(p+known, symbol) || strings.EqualFold(p+known+"s", symbol) {
					return fmt.Errorf("unit %q is not known, did you mean %s? (m is milli, M is mega)", symbol, p+n.symbol)
				}
			}
		}
	}
	return fmt.Errorf("unit %q is not known; known are V, A, W, J, C, ohm, F, H, Hz, s, min, h, degC, rpm, %%", symbol)
}
