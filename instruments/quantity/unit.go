// Package quantity holds values with units and SI prefixes; it is the only place that formats and parses them.
package quantity

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Unit is a unit of measurement: exponents over volt, ampere, second, degree Celsius and revolution. Units of the same
// dimension are equal, except that percent is kept apart from the bare number for display.
type Unit struct {
	volt, ampere, second, degree, revolution int16
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
	unit   Unit
	symbol string
	others []string // further spellings that are read
	words  []string // what people write for it, first as it stands in a sentence; understood only to help
	scale  scale
}

var names = []naming{
	{Volt, "V", nil, []string{"volts", "volt", "Vdc", "Vac"}, full},
	{Ampere, "A", nil, []string{"amperes", "ampere", "amps", "amp"}, full},
	{Watt, "W", nil, []string{"watts", "watt"}, full},
	{Joule, "J", nil, []string{"joules", "joule"}, full},
	{Coulomb, "C", nil, []string{"coulombs", "coulomb"}, small},
	{Ohm, "Ω", []string{"ohm", "\u2126"}, []string{"ohms", "R"}, full},
	{Farad, "F", nil, []string{"farads", "farad"}, small},
	{Henry, "H", nil, []string{"henries", "henry", "henrys"}, small},
	{PerSecond, "Hz", nil, []string{"hertz", "cps"}, full},
	{Second, "s", nil, []string{"seconds", "second", "sec", "secs"}, small},
	{DegC, "degC", []string{"°C"}, []string{"degrees Celsius", "celsius", "deg", "degrees", "°"}, plain},
	{Rpm, "rpm", nil, []string{"revolutions per minute", "rev/min", "r/min", "1/min", "min-1"}, plain},
	{Percent, "%", nil, []string{"percent", "pct", "per cent"}, plain},
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
	for i, exponent := range u.exponents() {
		switch *exponent {
		case 0:
		case 1:
			parts = append(parts, baseSymbols[i])
		default:
			parts = append(parts, fmt.Sprintf("%s^%d", baseSymbols[i], *exponent))
		}
	}
	return strings.Join(parts, "·")
}

var baseSymbols = [...]string{"V", "A", "s", "degC", "rpm"}

// exponents are those over the base units in the order of baseSymbols.
func (u *Unit) exponents() [len(baseSymbols)]*int16 {
	return [...]*int16{&u.volt, &u.ampere, &u.second, &u.degree, &u.revolution}
}

// words is the unit as it stands in a sentence: "volts".
func (u Unit) words() string {
	if n, ok := named(u); ok {
		return n.words[0]
	}
	if u == One {
		return "a bare number"
	}
	return u.String()
}

// typed is the symbol as any keyboard has it.
func (u Unit) typed() string {
	if u == Ohm {
		return "ohm"
	}
	return u.String()
}

// dimension drops what is only for display.
func (u Unit) dimension() Unit {
	u.percent = false
	return u
}

func (u Unit) times(v Unit, sign int16) Unit {
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
		symbol, power, raised := strings.Cut(part, "^")
		exponent := 1
		if raised {
			var err error
			if exponent, err = strconv.Atoi(power); err != nil || exponent == 0 || max(exponent, -exponent) > 99 {
				return fmt.Errorf("unit %q: %q is no exponent", text, power)
			}
		}
		i := slices.Index(baseSymbols[:], symbol)
		if i < 0 || *product.exponents()[i] != 0 {
			return fmt.Errorf("unit %q is not known", text)
		}
		*product.exponents()[i] = int16(exponent)
	}
	*u = product
	return nil
}
