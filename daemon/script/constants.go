package script

import (
	"errors"
	"fmt"

	"go.starlark.net/starlark"
	"go.starlark.net/syntax"

	"benchwarden/instruments/quantity"
)

// setpoint is a voltage that stands as a constant in a script: bus.set(72 * V).
type setpoint struct {
	at   syntax.Position
	role string
	volt quantity.Volts
}

// constantSetpoints finds the setpoints that stand in the script's text, so that one past a limit is refused before anything
// is energised. What is computed is refused when it is reached.
func constantSetpoints(path string, source []byte) ([]setpoint, error) {
	file, err := fileOptions.Parse(path, source, 0)
	if err != nil {
		return nil, err
	}
	var found []setpoint
	syntax.Walk(file, func(n syntax.Node) bool {
		if call, ok := n.(*syntax.CallExpr); ok {
			if s, ok := setpointOf(call); ok {
				found = append(found, s)
			}
		}
		return true
	})
	return found, nil
}

func setpointOf(call *syntax.CallExpr) (setpoint, bool) {
	method, ok := call.Fn.(*syntax.DotExpr)
	if !ok || len(call.Args) == 0 || (method.Name.Name != "set" && method.Name.Name != "on") {
		return setpoint{}, false
	}
	role, ok := method.X.(*syntax.Ident)
	if !ok {
		return setpoint{}, false
	}
	arg := call.Args[0]
	if named, ok := arg.(*syntax.BinaryExpr); ok && named.Op == syntax.EQ {
		arg = named.Y
	}
	volts, ok := constantVolts(arg)
	return setpoint{at: syntax.Start(call), role: role.Name, volt: volts}, ok
}

// constantVolts is the value of a number times a unit of voltage, with a sign where there is one.
func constantVolts(e syntax.Expr) (quantity.Volts, bool) {
	switch e := e.(type) {
	case *syntax.ParenExpr:
		return constantVolts(e.X)
	case *syntax.UnaryExpr:
		v, ok := constantVolts(e.X)
		if e.Op == syntax.MINUS {
			v = -v
		}
		return v, ok
	case *syntax.BinaryExpr:
		number, isNumber := e.X.(*syntax.Literal)
		name, isName := e.Y.(*syntax.Ident)
		if e.Op != syntax.STAR || !isNumber || !isName {
			return 0, false
		}
		unit, known := units()[name.Name].(measured)
		if !known || unit.Unit != quantity.Volt {
			return 0, false
		}
		switch v := number.Value.(type) {
		case int64:
			return quantity.Volts(float64(v) * unit.Number), true
		case float64:
			return quantity.Volts(v * unit.Number), true
		}
	}
	return 0, false
}

// constantsAllowed refuses a script with a constant setpoint past a limit, at the line where it stands.
func (e *engine) constantsAllowed() error {
	found, err := constantSetpoints(e.script.File, e.script.source)
	for _, m := range e.script.modules {
		more, loadErr := constantSetpoints(e.script.path(m.name), m.source)
		found, err = append(found, more...), errors.Join(err, loadErr)
	}
	if err != nil {
		return err
	}
	for _, s := range found {
		if _, ok := e.supplies()[s.role]; !ok {
			continue
		}
		if err := e.rig.Allowed(s.role, s.volt, 0); err != nil {
			return fmt.Errorf("%s: %w", s.at, err)
		}
	}
	return nil
}

// supplies are the names under which a script finds its supplies.
func (e *engine) supplies() map[string]starlark.Value {
	supplies := map[string]starlark.Value{}
	for _, role := range []string{"bus", "control", "reference"} {
		supplies[role] = e.supplyModule(role)
	}
	return supplies
}
