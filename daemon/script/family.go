package script

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"

	"benchwarden/daemon/drive"
	"benchwarden/instruments/quantity"
)

// familyValue gives a script the family file's data under the file's own names: drive.bus.reduced, drive.gate.on.low;
// drive.stage is the limits of the script's own stage. What the family does not state is None (a quantity that is zero in
// the file counts as stated only where zero means something, so a script asks: if drive.gate.gate_load).
func familyValue(f *drive.Family, stage drive.Stage) starlark.Value {
	d := structFields(reflect.ValueOf(*f))
	d["stage"] = toStarlark(reflect.ValueOf(f.Stages[stage]))
	delete(d, "stages")
	d["walk"] = starlark.NewBuiltin("drive.walk", func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		var direction string
		if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &direction); err != nil {
			return nil, err
		}
		return intList(f.Walk(drive.Direction(direction))), nil
	})
	d["expected"] = starlark.NewBuiltin("drive.expected", func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		var code int
		var direction string
		if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 2, &code, &direction); err != nil {
			return nil, err
		}
		patterns, _ := f.Expected(code, drive.Direction(direction))
		return toStarlark(reflect.ValueOf(patterns)), nil
	})
	d["before_invalid"] = starlark.NewBuiltin("drive.before_invalid", func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		var code int
		if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &code); err != nil {
			return nil, err
		}
		before, ok := f.BeforeInvalid(code)
		if !ok {
			return nil, fmt.Errorf("%s: Hall code %d is valid for family %s", b.Name(), code, f.Name)
		}
		return starlark.MakeInt(before), nil
	})
	d["terminals"] = starlark.NewBuiltin("drive.terminals", func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		var name string
		if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &name); err != nil {
			return nil, err
		}
		i := slices.IndexFunc(f.Bridge.Channels, func(c drive.Channel) bool { return c.Name == name })
		if i < 0 {
			return nil, fmt.Errorf("%s: family %s has no gate channel %s", b.Name(), f.Name, name)
		}
		return toStarlark(reflect.ValueOf(f.Terminals(f.Bridge.Channels[i]))), nil
	})
	d["rail_return"] = starlark.NewBuiltin("drive.rail_return", func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		var rail string
		if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &rail); err != nil {
			return nil, err
		}
		return starlark.String(f.RailReturn(rail)), nil
	})
	d["invalid_codes"] = intList(f.Invalid())
	d["feed"] = feedOf(f, stage)
	return starlarkstruct.FromStringDict(starlark.String("drive"), d)
}

// feedOf is the supply that the drive's control section runs from: its own, or the bus at its lowest safe voltage.
func feedOf(f *drive.Family, stage drive.Stage) starlark.Value {
	role, volts, limit := "control", f.Control.Nominal, f.LimitsFor(stage).ControlLimit
	if f.Control.Feed == drive.FromBus {
		role, volts, limit = "bus", f.Bus.Minimum, f.LimitsFor(stage).CurrentLimit
	}
	return starlarkstruct.FromStringDict(starlark.String("feed"), starlark.StringDict{
		"role": starlark.String(role), "voltage": measured{Value: volts.Value()}, "limit": measured{Value: limit.Value()},
	})
}

func intList(codes []int) *starlark.List {
	var values []starlark.Value
	for _, c := range codes {
		values = append(values, starlark.MakeInt(c))
	}
	return starlark.NewList(values)
}

func structFields(v reflect.Value) starlark.StringDict {
	d := starlark.StringDict{}
	for i := range v.NumField() {
		field := v.Type().Field(i)
		name, _, _ := strings.Cut(field.Tag.Get("yaml"), ",")
		if !field.IsExported() || name == "" || name == "-" {
			continue
		}
		d[name] = toStarlark(v.Field(i))
	}
	return d
}

func toStarlark(v reflect.Value) starlark.Value {
	if v.Kind() == reflect.Pointer && v.IsNil() {
		return starlark.None
	}
	if q, ok := v.Interface().(interface{ Value() quantity.Value }); ok {
		return measured{Value: q.Value()}
	}
	switch v.Kind() {
	case reflect.String:
		return starlark.String(v.String())
	case reflect.Bool:
		return starlark.Bool(v.Bool())
	case reflect.Int:
		return starlark.MakeInt64(v.Int())
	case reflect.Struct:
		return starlarkstruct.FromStringDict(starlark.String("data"), structFields(v))
	case reflect.Pointer:
		return toStarlark(v.Elem())
	case reflect.Slice:
		var values []starlark.Value
		for i := range v.Len() {
			values = append(values, toStarlark(v.Index(i)))
		}
		return starlark.NewList(values)
	case reflect.Map:
		d := starlark.NewDict(v.Len())
		keys := v.MapKeys()
		slices.SortFunc(keys, func(a, b reflect.Value) int { return strings.Compare(a.String(), b.String()) })
		for _, k := range keys {
			if err := d.SetKey(starlark.String(k.String()), toStarlark(v.MapIndex(k))); err != nil {
				panic(err) // strings are hashable
			}
		}
		return d
	}
	panic(fmt.Sprintf("family data of kind %s has no form in a script", v.Kind()))
}
