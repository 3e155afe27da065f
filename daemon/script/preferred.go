package script

import (
	"go.starlark.net/starlark"

	"benchwarden/daemon/drive"
	"benchwarden/instruments/quantity"
)

// preferred_values(resistance) lists in words the values of E24 and E96 that a resistor which reads so may have been made with;
// none where the reading is too uncertain to tell one from the next.
func preferredValues(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var r measured
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &r); err != nil {
		return nil, err
	}
	if err := r.need(b.Name(), quantity.Ohm); err != nil {
		return nil, err
	}
	var words []starlark.Value
	for _, p := range drive.NearestPreferred(quantity.Ohms(r.Number), quantity.Ohms(r.uncertainty)) {
		words = append(words, starlark.String(p.String()))
	}
	return starlark.NewList(words), nil
}
