package quantity

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Parse reads a number with its unit: "72 V", "1.2 µs", "5.11 ohm", "3 %". Case tells milli from mega. A bare number is
// refused, as is what is no finite number. Times may also be in min and h.
func Parse(text string) (Value, error) { return parse(text, Volt) }

// parse is Parse; example is the unit that a message shows.
func parse(text string, example Unit) (Value, error) {
	trimmed := strings.TrimSpace(text)
	end := numberEnd(trimmed)
	number, symbol := trimmed[:end], strings.TrimSpace(trimmed[end:])
	switch {
	case number == "":
		return Value{}, fmt.Errorf(`%q is no quantity: write a number with its unit, for example "72 %s"`, text, example.typed())
	case symbol == "":
		return Value{}, fmt.Errorf(`%q has no unit: write one, for example "%s"`, text, example.behind(number))
	case strings.ContainsAny(symbol[:1], ",.0123456789"):
		return Value{}, fmt.Errorf(`%q is no quantity: write the number without spaces or commas, with a decimal point, for example "1500.5 %s"`, text, example.typed())
	}
	m, err := readUnit(symbol)
	if err != nil {
		return Value{}, fmt.Errorf("%q: %w", text, err)
	}
	scaled, err := shifted(number, m.exponent)
	if scaled *= m.factor; err != nil || math.IsInf(scaled, 0) {
		return Value{}, fmt.Errorf("%q: the number is out of range", text)
	}
	return Value{scaled, m.unit}, nil
}

// ParseAs is Parse for a text that has to be in a certain unit.
func ParseAs(text string, want Unit) (Value, error) {
	v, err := parse(text, want)
	switch {
	case err != nil:
		return Value{}, err
	case v.Unit == want:
		return v, nil
	case want == DegC && v.Unit == Coulomb:
		return Value{}, fmt.Errorf("wants %s, got %q: C is coulombs, write degC", want.words(), text)
	}
	return Value{}, fmt.Errorf("wants %s, got %q", want.words(), text)
}

// numberEnd is where the decimal number ends that s begins with, 0 where it begins with none.
func numberEnd(s string) int {
	i := 0
	sign := func() {
		if i < len(s) && (s[i] == '+' || s[i] == '-') {
			i++
		}
	}
	digits := func() (n int) {
		for i < len(s) && s[i] >= '0' && s[i] <= '9' {
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
	if end := i; i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		i++
		sign()
		if digits() == 0 {
			return end
		}
	}
	return i
}

// shifted is the number times 10^exponent, rounded once: "350" and -3 are 0.35 and no neighbour of it.
func shifted(number string, exponent int) (float64, error) {
	if i := strings.IndexAny(number, "eE"); i >= 0 {
		own, err := strconv.Atoi(number[i+1:])
		if err != nil || own > math.MaxInt16 || own < math.MinInt16 {
			return 0, errors.New("exponent out of range")
		}
		number, exponent = number[:i], exponent+own
	}
	return strconv.ParseFloat(number+"e"+strconv.Itoa(exponent), 64)
}

// measure is what stands behind a number: a unit and what the number is multiplied by, factor · 10^exponent.
type measure struct {
	unit     Unit
	exponent int
	factor   float64
}

func readUnit(symbol string) (measure, error) {
	switch symbol { // what no prefix leads to
	case "min":
		return measure{Second, 0, 60}, nil
	case "h":
		return measure{Second, 0, 3600}, nil
	case "%":
		return measure{Percent, -2, 1}, nil
	}
	for _, p := range prefixes {
		for _, spelling := range p.spellings() {
			rest, found := strings.CutPrefix(symbol, spelling)
			u, known := UnitOf(rest)
			if !found || rest == "" || !known {
				continue
			}
			if n, _ := named(u); !n.scale.takes(p) {
				return measure{}, refusedPrefix(n, spelling)
			}
			return measure{u, p.exponent, 1}, nil
		}
	}
	return measure{}, unknownUnit(symbol)
}

func refusedPrefix(n naming, spelling string) error {
	if n.scale == plain {
		return fmt.Errorf("%s takes no prefix", n.symbol)
	}
	if spelling == "M" {
		return fmt.Errorf("nothing here has mega%s (M): write m%s for milli, u%s for micro", n.words[0], n.symbol, n.symbol)
	}
	return fmt.Errorf("%s is not in use here; write the number in %s", spelling+n.symbol, n.symbol)
}
