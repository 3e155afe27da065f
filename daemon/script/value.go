package script

import (
	"fmt"
	"hash/fnv"
	"time"

	"go.starlark.net/starlark"
	"go.starlark.net/syntax"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// measured is a quantity in a script: 72 * V. A reading is one too, with its uncertainty; what is worked out of readings keeps it, but
// a bare number without unit (ratio keeps it there).
type measured struct {
	quantity.Value
	uncertainty float64 // 95 % half width in the base unit; 0 where nothing of it was read
	budget      []verdict.Part
	instrument  string
	name        string
	at          time.Time // when the reading was taken; zero when not a reading
}

var (
	_ starlark.HasBinary  = measured{}
	_ starlark.HasUnary   = measured{}
	_ starlark.Comparable = measured{}
	_ starlark.HasAttrs   = measured{}
)

func (m measured) String() string       { return m.Value.String() }
func (m measured) Type() string         { return "quantity" }
func (m measured) Freeze()              {}
func (m measured) Truth() starlark.Bool { return m.Number != 0 }

func (m measured) Hash() (uint32, error) {
	h := fnv.New32a()
	fmt.Fprint(h, m.Number, m.Unit)
	return h.Sum32(), nil
}

// Attr gives .number (in the base unit), .unit and .uncertainty.
func (m measured) Attr(name string) (starlark.Value, error) {
	switch name {
	case "number":
		return starlark.Float(m.Number), nil
	case "unit":
		return starlark.String(m.Unit.String()), nil
	case "uncertainty":
		return measured{Value: quantity.Value{Number: m.uncertainty, Unit: m.Unit}}, nil
	}
	return nil, nil
}

func (m measured) AttrNames() []string { return []string{"number", "uncertainty", "unit"} }

// plain is a number without unit as a quantity.
func plain(v starlark.Value) (quantity.Value, bool) {
	switch v := v.(type) {
	case measured:
		return v.Value, true
	case starlark.Int, starlark.Float:
		f, _ := starlark.AsFloat(v)
		return quantity.Value{Number: f, Unit: quantity.One}, true
	}
	return quantity.Value{}, false
}

func (m measured) Binary(op syntax.Token, y starlark.Value, side starlark.Side) (starlark.Value, error) {
	other, ok := y.(measured)
	if !ok {
		number, isNumber := plain(y)
		if !isNumber {
			return nil, nil
		}
		other = measured{Value: number}
	}
	a, b := m, other
	if side == starlark.Right {
		a, b = b, a
	}
	var result quantity.Value
	var err error
	moveA, moveB := 1.0, 1.0
	switch op {
	case syntax.PLUS:
		result, err = a.Value.Add(b.Value)
	case syntax.MINUS:
		result, err = a.Value.Sub(b.Value)
	case syntax.STAR:
		result = a.Value.Mul(b.Value)
		moveA, moveB = b.Number, a.Number
	case syntax.SLASH:
		if b.Number == 0 {
			return nil, fmt.Errorf("%v divided by zero", a.Value)
		}
		result = a.Value.Div(b.Value)
		moveA, moveB = 1/b.Number, a.Number/b.Number/b.Number
	default:
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if result.Unit == quantity.One {
		return starlark.Float(result.Number), nil
	}
	return derived(result, a, b, moveA, moveB), nil
}

func (m measured) Unary(op syntax.Token) (starlark.Value, error) {
	switch op {
	case syntax.MINUS:
		m.Value = m.Neg()
		return m, nil
	case syntax.PLUS:
		return m, nil
	}
	return nil, nil
}

func (m measured) CompareSameType(op syntax.Token, y starlark.Value, _ int) (bool, error) {
	c, err := m.Cmp(y.(measured).Value)
	if err != nil {
		return false, err
	}
	switch op {
	case syntax.EQL:
		return c == 0, nil
	case syntax.NEQ:
		return c != 0, nil
	case syntax.LT:
		return c < 0, nil
	case syntax.LE:
		return c <= 0, nil
	case syntax.GT:
		return c > 0, nil
	}
	return c >= 0, nil
}

// magnitude is abs for quantities: magnitude(-8 * V) is 8 V.
func magnitude(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var q measured
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &q); err != nil {
		return nil, err
	}
	if q.Number < 0 {
		q.Value = q.Neg()
	}
	return q, nil
}

// Unpack lets UnpackArgs take a quantity or a bare number where a quantity parameter stands.
func (m *measured) Unpack(v starlark.Value) error {
	switch v := v.(type) {
	case measured:
		*m = v
		return nil
	case starlark.Int, starlark.Float:
		return fmt.Errorf("got the bare number %v, want a quantity; write a unit, for example %v * V", v, v)
	}
	return fmt.Errorf("got %s, want a quantity such as 72 * V", v.Type())
}

// maybe is a quantity parameter that may be left out or be None.
type maybe struct{ *measured }

func (m *maybe) Unpack(v starlark.Value) error {
	if v == starlark.None {
		m.measured = nil
		return nil
	}
	m.measured = new(measured)
	return m.measured.Unpack(v)
}

// need checks a quantity's unit.
func (m measured) need(name string, unit quantity.Unit) error {
	if m.Unit != unit {
		return fmt.Errorf("%s: got %v, want a quantity in %v", name, m.Value, unit)
	}
	return nil
}

// units are the predeclared names that make quantities: 72 * V, 1.2 * us.
func units() starlark.StringDict {
	d := starlark.StringDict{}
	for name, text := range map[string]string{
		"V": "1 V", "mV": "1 mV", "A": "1 A", "mA": "1 mA", "uA": "1 uA", "W": "1 W", "J": "1 J",
		"ohm": "1 ohm", "kohm": "1 kohm", "F": "1 F", "uF": "1 uF", "nF": "1 nF",
		"s": "1 s", "ms": "1 ms", "us": "1 us", "ns": "1 ns", "Hz": "1 Hz", "kHz": "1 kHz", "MHz": "1 MHz",
		"percent": "1 %", "rpm": "1 rpm", "degC": "1 degC",
	} {
		v, err := quantity.Parse(text)
		if err != nil {
			panic(err) // a unit of this table that quantity does not know is a defect of the build
		}
		d[name] = measured{Value: v}
	}
	return d
}
