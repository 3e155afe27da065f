package quantity

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
)

// Value is a number in the base unit, 0.35 for 350 mA. In JSON it is {"number":0.35,"unit":"A"}; a number that is none (NaN
// or infinite) is null there and comes back as NaN.
type Value struct {
	Number float64
	Unit   Unit
}

func (v Value) same(w Value, verb, joint string) error {
	if v.Unit.dimension() != w.Unit.dimension() {
		return fmt.Errorf("cannot %s %s %s %s", verb, w.Unit.words(), joint, v.Unit.words())
	}
	return nil
}

// Add is v + w; both have to have the same unit.
func (v Value) Add(w Value) (Value, error) {
	if err := v.same(w, "add", "to"); err != nil {
		return Value{}, err
	}
	return Value{v.Number + w.Number, v.Unit}, nil
}

// Sub is v - w; both have to have the same unit.
func (v Value) Sub(w Value) (Value, error) {
	if err := v.same(w, "subtract", "from"); err != nil {
		return Value{}, err
	}
	return Value{v.Number - w.Number, v.Unit}, nil
}

// Cmp compares v with w as cmp.Compare does; both have to have the same unit. NaN compares with nothing.
func (v Value) Cmp(w Value) (int, error) {
	if err := v.same(w, "compare", "with"); err != nil {
		return 0, err
	}
	if math.IsNaN(v.Number) || math.IsNaN(w.Number) {
		return 0, fmt.Errorf("cannot compare %v with %v: not a number", v, w)
	}
	return cmp.Compare(v.Number, w.Number), nil
}

// Mul is v · w with the unit that follows.
func (v Value) Mul(w Value) Value { return Value{v.Number * w.Number, v.Unit.times(w.Unit, 1)} }

// Div is v / w with the unit that follows.
func (v Value) Div(w Value) Value { return Value{v.Number / w.Number, v.Unit.times(w.Unit, -1)} }

// Neg is -v.
func (v Value) Neg() Value { return Value{-v.Number, v.Unit} }

// Scale is v times a bare factor.
func (v Value) Scale(factor float64) Value { return Value{v.Number * factor, v.Unit} }

// LogValue gives logs the unit too.
func (v Value) LogValue() slog.Value { return slog.StringValue(v.String()) }

// UnmarshalText is Parse.
func (v *Value) UnmarshalText(text []byte) error {
	read, err := Parse(string(text))
	if err == nil {
		*v = read
	}
	return err
}

type wire struct {
	Number *float64 `json:"number"`
	Unit   *Unit    `json:"unit"`
}

// MarshalJSON never fails: nothing that was measured is lost for want of a number.
func (v Value) MarshalJSON() ([]byte, error) {
	w := wire{Unit: &v.Unit}
	if !math.IsNaN(v.Number) && !math.IsInf(v.Number, 0) {
		w.Number = &v.Number
	}
	return json.Marshal(w)
}

// UnmarshalJSON reads what MarshalJSON wrote; a unit has to be there.
func (v *Value) UnmarshalJSON(data []byte) error {
	var w wire
	if err := json.Unmarshal(data, &w); err != nil {
		return err
	}
	if w.Unit == nil {
		return errors.New("a quantity without its unit")
	}
	*v = Value{math.NaN(), *w.Unit}
	if w.Number != nil {
		v.Number = *w.Number
	}
	return nil
}
