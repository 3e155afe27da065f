package script

import (
	"fmt"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// odd_one_out({"A.high": reading, ...}, floor = 1 * ohm) compares like readings with each other: .odd lists the ones unlike the
// others, .median is what they go by, .unclear says why nothing follows although they differ. floor is what a difference has to
// be before it matters; more than the readings' own uncertainty it has to be in any case.
func oddOneOut(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var readings *starlark.Dict
	var floor measured
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "readings", &readings, "floor", &floor); err != nil {
		return nil, err
	}
	var values, u []float64
	var names []starlark.Value
	for _, item := range readings.Items() {
		m, ok := item[1].(measured)
		if !ok || m.Unit != floor.Unit {
			return nil, fmt.Errorf("%s: %s is %s, want a quantity in %v as floor is", b.Name(), item[0], item[1], floor.Unit)
		}
		names, values, u = append(names, item[0]), append(values, m.Number), append(u, m.uncertainty)
	}
	o := verdict.OddOneOut(values, u, floor.Number)
	var odd []starlark.Value
	for _, i := range o.Who {
		odd = append(odd, names[i])
	}
	return starlarkstruct.FromStringDict(starlark.String("odd_one_out"), starlark.StringDict{
		"odd":     starlark.NewList(odd),
		"median":  measured{Value: quantity.Value{Number: o.Median, Unit: floor.Unit}},
		"unclear": starlark.String(o.Unclear),
	}), nil
}
