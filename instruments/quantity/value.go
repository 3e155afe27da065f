package quantity

import (
	"cmp"
	"fmt"
	"log/slog"
)

// Value is a number in the base unit, 0.35 for 350 mA.
type Value struct {
	Number float64 `json:"number"`
	Unit   Unit    `json:"unit"`
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

// Cmp compares v with w as cmp.Compare does; both have to have the same unit.
func (v Value) Cmp(w Value) (int, error) {
	if err := v.same(w, "compare", "with"); err != nil {
		return 0, err
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
