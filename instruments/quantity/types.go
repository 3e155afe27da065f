package quantity

import (
	"log/slog"
	"math"
	"time"
)

// The typed quantities: a number in the base unit, whose unit the compiler knows.
type (
	// Volts is an electric potential in volts.
	Volts float64
	// Amperes is a current in amperes.
	Amperes float64
	// Watts is a power in watts.
	Watts float64
	// Joules is an energy in joules.
	Joules float64
	// Coulombs is a charge in coulombs.
	Coulombs float64
	// Ohms is a resistance in ohms.
	Ohms float64
	// Farads is a capacitance in farads.
	Farads float64
	// Henrys is an inductance in henries.
	Henrys float64
	// Hertz is a frequency in hertz.
	Hertz float64
	// Seconds is a time in seconds.
	Seconds float64
	// Celsius is a temperature in degrees Celsius.
	Celsius float64
	// RPM is a speed in revolutions per minute.
	RPM float64
	// Ratio is a dimensionless ratio, 0.03 for 3 %.
	Ratio float64
)

func parseInto[T ~float64](into *T, text []byte, unit Unit) error {
	v, err := ParseAs(string(text), unit)
	if err != nil {
		return err
	}
	*into = T(v.Number)
	return nil
}

// Duration is s as Go's own type, rounded to a nanosecond and kept within its range; 0 for NaN.
func (s Seconds) Duration() time.Duration {
	ns := math.Round(float64(s) * 1e9)
	switch {
	case math.IsNaN(ns):
		return 0
	case ns >= math.MaxInt64:
		return math.MaxInt64
	case ns <= math.MinInt64:
		return math.MinInt64
	}
	return time.Duration(ns)
}

// SecondsOf is a duration as a quantity.
func SecondsOf(d time.Duration) Seconds { return Seconds(d.Seconds()) }

// Value is the quantity with its unit.
func (v Volts) Value() Value { return Value{float64(v), Volt} }

func (v Volts) String() string                   { return v.Value().String() }
func (v Volts) LogValue() slog.Value             { return v.Value().LogValue() }
func (v Volts) MarshalText() ([]byte, error)     { return v.Value().MarshalText() }
func (v *Volts) UnmarshalText(text []byte) error { return parseInto(v, text, Volt) }
func (v *Volts) UnmarshalJSON(data []byte) error { return readRecord(v, data, Volt) }

// Value is the quantity with its unit.
func (a Amperes) Value() Value { return Value{float64(a), Ampere} }

func (a Amperes) String() string                   { return a.Value().String() }
func (a Amperes) LogValue() slog.Value             { return a.Value().LogValue() }
func (a Amperes) MarshalText() ([]byte, error)     { return a.Value().MarshalText() }
func (a *Amperes) UnmarshalText(text []byte) error { return parseInto(a, text, Ampere) }
func (a *Amperes) UnmarshalJSON(data []byte) error { return readRecord(a, data, Ampere) }

// Value is the quantity with its unit.
func (w Watts) Value() Value { return Value{float64(w), Watt} }

func (w Watts) String() string                   { return w.Value().String() }
func (w Watts) LogValue() slog.Value             { return w.Value().LogValue() }
func (w Watts) MarshalText() ([]byte, error)     { return w.Value().MarshalText() }
func (w *Watts) UnmarshalText(text []byte) error { return parseInto(w, text, Watt) }
func (w *Watts) UnmarshalJSON(data []byte) error { return readRecord(w, data, Watt) }

// Value is the quantity with its unit.
func (j Joules) Value() Value { return Value{float64(j), Joule} }

func (j Joules) String() string                   { return j.Value().String() }
func (j Joules) LogValue() slog.Value             { return j.Value().LogValue() }
func (j Joules) MarshalText() ([]byte, error)     { return j.Value().MarshalText() }
func (j *Joules) UnmarshalText(text []byte) error { return parseInto(j, text, Joule) }
func (j *Joules) UnmarshalJSON(data []byte) error { return readRecord(j, data, Joule) }

// Value is the quantity with its unit.
func (c Coulombs) Value() Value { return Value{float64(c), Coulomb} }

func (c Coulombs) String() string                   { return c.Value().String() }
func (c Coulombs) LogValue() slog.Value             { return c.Value().LogValue() }
func (c Coulombs) MarshalText() ([]byte, error)     { return c.Value().MarshalText() }
func (c *Coulombs) UnmarshalText(text []byte) error { return parseInto(c, text, Coulomb) }
func (c *Coulombs) UnmarshalJSON(data []byte) error { return readRecord(c, data, Coulomb) }

// Value is the quantity with its unit.
func (o Ohms) Value() Value { return Value{float64(o), Ohm} }

func (o Ohms) String() string                   { return o.Value().String() }
func (o Ohms) LogValue() slog.Value             { return o.Value().LogValue() }
func (o Ohms) MarshalText() ([]byte, error)     { return o.Value().MarshalText() }
func (o *Ohms) UnmarshalText(text []byte) error { return parseInto(o, text, Ohm) }
func (o *Ohms) UnmarshalJSON(data []byte) error { return readRecord(o, data, Ohm) }

// Value is the quantity with its unit.
func (f Farads) Value() Value { return Value{float64(f), Farad} }

func (f Farads) String() string                   { return f.Value().String() }
func (f Farads) LogValue() slog.Value             { return f.Value().LogValue() }
func (f Farads) MarshalText() ([]byte, error)     { return f.Value().MarshalText() }
func (f *Farads) UnmarshalText(text []byte) error { return parseInto(f, text, Farad) }
func (f *Farads) UnmarshalJSON(data []byte) error { return readRecord(f, data, Farad) }

// Value is the quantity with its unit.
func (h Henrys) Value() Value { return Value{float64(h), Henry} }

func (h Henrys) String() string                   { return h.Value().String() }
func (h Henrys) LogValue() slog.Value             { return h.Value().LogValue() }
func (h Henrys) MarshalText() ([]byte, error)     { return h.Value().MarshalText() }
func (h *Henrys) UnmarshalText(text []byte) error { return parseInto(h, text, Henry) }
func (h *Henrys) UnmarshalJSON(data []byte) error { return readRecord(h, data, Henry) }

// Value is the quantity with its unit.
func (h Hertz) Value() Value { return Value{float64(h), PerSecond} }

func (h Hertz) String() string                   { return h.Value().String() }
func (h Hertz) LogValue() slog.Value             { return h.Value().LogValue() }
func (h Hertz) MarshalText() ([]byte, error)     { return h.Value().MarshalText() }
func (h *Hertz) UnmarshalText(text []byte) error { return parseInto(h, text, PerSecond) }
func (h *Hertz) UnmarshalJSON(data []byte) error { return readRecord(h, data, PerSecond) }

// Value is the quantity with its unit.
func (s Seconds) Value() Value { return Value{float64(s), Second} }

func (s Seconds) String() string                   { return s.Value().String() }
func (s Seconds) LogValue() slog.Value             { return s.Value().LogValue() }
func (s Seconds) MarshalText() ([]byte, error)     { return s.Value().MarshalText() }
func (s *Seconds) UnmarshalText(text []byte) error { return parseInto(s, text, Second) }
func (s *Seconds) UnmarshalJSON(data []byte) error { return readRecord(s, data, Second) }

// Value is the quantity with its unit.
func (c Celsius) Value() Value { return Value{float64(c), DegC} }

func (c Celsius) String() string                   { return c.Value().String() }
func (c Celsius) LogValue() slog.Value             { return c.Value().LogValue() }
func (c Celsius) MarshalText() ([]byte, error)     { return c.Value().MarshalText() }
func (c *Celsius) UnmarshalText(text []byte) error { return parseInto(c, text, DegC) }
func (c *Celsius) UnmarshalJSON(data []byte) error { return readRecord(c, data, DegC) }

// Value is the quantity with its unit.
func (r RPM) Value() Value { return Value{float64(r), Rpm} }

func (r RPM) String() string                   { return r.Value().String() }
func (r RPM) LogValue() slog.Value             { return r.Value().LogValue() }
func (r RPM) MarshalText() ([]byte, error)     { return r.Value().MarshalText() }
func (r *RPM) UnmarshalText(text []byte) error { return parseInto(r, text, Rpm) }
func (r *RPM) UnmarshalJSON(data []byte) error { return readRecord(r, data, Rpm) }

// Value is the quantity with its unit.
func (r Ratio) Value() Value { return Value{float64(r), Percent} }

func (r Ratio) String() string                   { return r.Value().String() }
func (r Ratio) LogValue() slog.Value             { return r.Value().LogValue() }
func (r Ratio) MarshalText() ([]byte, error)     { return r.Value().MarshalText() }
func (r *Ratio) UnmarshalText(text []byte) error { return parseInto(r, text, Percent) }
func (r *Ratio) UnmarshalJSON(data []byte) error { return readRecord(r, data, Percent) }
