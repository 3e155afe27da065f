// Package quantity holds values with units and SI prefixes; it is the only place that formats and parses them.
package quantity

import (
	"fmt"
	"slices"
	"strings"
)

// Unit is a unit of measurement: exponents over volt, ampere, second, degree Celsius and revolution. Units of the same
// dimension are equal, except that percent is kept apart from the bare number for display.
type Unit struct {
	volt, ampere, second, degree, revolution int8
	percent                                  bool
}

// The units that have a name.
var (
	One       = Unit{}
	Percent   = Unit{percent: true}
	Volt      = Unit{volt: 1}
	Ampere    = Unit{ampere: 1}
	Second    = Unit{second: 1}
	Watt      = Unit{volt: 1, ampere: 1}
	Joule     = Unit{volt: 1, ampere: 1, second: 1}
	Coulomb   = Unit{ampere: 1, second: 1}
	Ohm       = Unit{volt: 1, ampere: -1}
	Farad     = Unit{ampere: 1, second: 1, volt: -1}
	Henry     = Unit{volt: 1, second: 1, ampere: -1}
	PerSecond = Unit{second: -1}
	DegC      = Unit{degree: 1}
	Rpm       = Unit{revolution: 1}
)

type naming struct {
	unit     Unit
	symbol   string
	plural   string
	others   []string // further spellings that are read
	prefixes bool
}

var names = []naming{
	{Volt, "V", "volts", nil, true},
	{Ampere, "A", "amperes", nil, true},
	{Watt, "W", "watts", nil, true},
	{Joule, "J", "joules", nil, true},
	{Coulomb, "C", "coulombs", nil, true},
	{Ohm, "Ω", "ohms", []string{"ohm", "\u2126"}, true},
	{Farad, "F", "farads", nil, true},
	{Henry, "H", "henries", nil, true},
	{PerSecond, "Hz", "hertz", nil, true},
	{Second, "s", "seconds", nil, true},
	{DegC, "degC", "degrees Celsius", []string{"°C"}, false},
	{Rpm, "rpm", "revolutions per minute", nil, false},
	{Percent, "%", "percent", nil, false},
}

func named(u Unit) (naming, bool) {
	i := slices.IndexFunc(names, func(n naming) bool { return n.unit == u })
	if i < 0 {
		return naming{}, false
	}
	return names[i], true
}

// UnitOf finds a unit by its symbol without prefix: "V", "ohm", "%".
func UnitOf(symbol string) (Unit, bool) {
	if symbol == "" {
		return One, true
	}
	for _, n := range names {
		if n.symbol == symbol || slices.Contains(n.others, symbol) {
			return n.unit, true
		}
	}
	return Unit{}, false
}

// String is the unit's symbol; one without a name is written as a product, "V·s".
func (u Unit) String() string {
	if n, ok := named(u); ok {
		return n.symbol
	}
	var parts []string
	for _, p := range []struct {
		exponent int8
		symbol   string
	}{{u.volt, "V"}, {u.ampere, "A"}, {u.second, "s"}, {u.degree, "degC"}, {u.revolution, "rpm"}} {
		switch {
		case p.exponent == 1:
			parts = append(parts, p.symbol)
		case p.exponent != 0:
			parts = append(parts, fmt.Sprintf("%s^%d", p.symbol, p.exponent))
		}
	}
	return strings.Join(parts, "·")
}

// words is the unit as it stands in a sentence: "volts".
func (u Unit) words() string {
	if n, ok := named(u); ok {
		return n.plural
	}
	if u == One {
		return "a bare number"
	}
	return u.String()
}

// dimension drops what is only for display.
func (u Unit) dimension() Unit {
	u.percent = false
	return u
}

func (u Unit) times(v Unit, sign int8) Unit {
	return Unit{
		volt: u.volt + sign*v.volt, ampere: u.ampere + sign*v.ampere, second: u.second + sign*v.second,
		degree: u.degree + sign*v.degree, revolution: u.revolution + sign*v.revolution,
	}
}

// MarshalText writes the symbol.
func (u Unit) MarshalText() ([]byte, error) { return []byte(u.String()), nil }

// UnmarshalText reads what MarshalText wrote.
func (u *Unit) UnmarshalText(text []byte) error {
	if found, ok := UnitOf(string(text)); ok {
		*u = found
		return nil
	}
	var product Unit
	for part := range strings.SplitSeq(string(text), "·") {
		symbol, exponentText, _ := strings.Cut(part, "^")
		exponent := int8(1)
		if exponentText != "" {
			if _, err := fmt.Sscanf(exponentText, "%d", &exponent); err != nil {
				return fmt.Errorf("unit %q: exponent %q", text, exponentText)
			}
		}
		base, ok := UnitOf(symbol)
		if !ok {
			return fmt.Errorf("unit %q is not known", text)
		}
		for range max(exponent, -exponent) {
			product = product.times(base, max(min(exponent, 1), -1))
		}
	}
	*u = product
	return nil
}
