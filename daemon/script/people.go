package script

import (
	"context"
	"fmt"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"

	"benchwarden/instruments/quantity"
)

// personModule is person: place, fit, remove, read, ask, tap, prove_down, bus_state.
func (e *engine) personModule() *starlarkstruct.Module {
	return module("person", map[string]builtin{
		"place":      e.place,
		"fit":        e.fit,
		"remove":     e.remove,
		"read":       e.readByHand,
		"ask":        e.question,
		"tap":        e.tap,
		"prove_down": e.proveDown,
		"bus_state": func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0); err != nil {
				return nil, err
			}
			down := e.rig.Down()
			return starlarkstruct.FromStringDict(starlark.String("bus_state"), starlark.StringDict{
				"state": starlark.String(down.State),
				"volts": measured{Value: down.Volts.Value()},
				"why":   starlark.String(down.Why),
			}), nil
		},
	})
}

// prove_down() returns once the bus is measured down or proven by hand.
func (e *engine) proveDown(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0); err != nil {
		return nil, err
	}
	return starlark.None, e.ask(e.rig.ProveDown)
}

// place({"P1": "gate:A.high"}, why, live) has probes moved. What is energised goes down before hands come in; with live = True
// it stays as it is, which the bench allows at or below 60 V d.c. from an isolated source only.
func (e *engine) place(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var probes *starlark.Dict
	var why string
	var live bool
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "probes", &probes, "why?", &why, "live?", &live); err != nil {
		return nil, err
	}
	places := map[string]string{}
	for _, item := range probes.Items() {
		probe, ok1 := starlark.AsString(item[0])
		point, ok2 := starlark.AsString(item[1])
		if !ok1 || !ok2 {
			return nil, fmt.Errorf(`person.place: want probes and test points as text, {"P1": "gate:A.high"}`)
		}
		places[probe] = point
	}
	return starlark.None, e.ask(func(ctx context.Context) error { return e.rig.Place(ctx, places, why, live) })
}

func (e *engine) fit(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var name, text string
	count := 1
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "stand_in", &name, "count", &count, "text", &text); err != nil {
		return nil, err
	}
	return starlark.None, e.ask(func(ctx context.Context) error { return e.rig.Fit(ctx, name, count, text) })
}

func (e *engine) remove(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var name, text string
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "stand_in", &name, "text", &text); err != nil {
		return nil, err
	}
	return starlark.None, e.ask(func(ctx context.Context) error { return e.rig.Remove(ctx, name, text) })
}

// read(text, low, high) asks a person for a value; nonsense is asked again.
func (e *engine) readByHand(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var text string
	var low, high measured
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "text", &text, "low", &low, "high", &high); err != nil {
		return nil, err
	}
	v, err := asking(e, func(ctx context.Context) (quantity.Value, error) {
		return e.rig.ReadByHand(ctx, text, low.Value, high.Value)
	})
	return measured{Value: v, instrument: "read by hand"}, err
}

// ask(text, ["yes", "no"], at) asks a question with fixed answers; at names what is looked at, for a simulated person.
func (e *engine) question(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var text, at string
	var list *starlark.List
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "text", &text, "answers", &list, "at?", &at); err != nil {
		return nil, err
	}
	var offers []string
	for v := range list.Elements() {
		s, ok := starlark.AsString(v)
		if !ok {
			return nil, fmt.Errorf("person.ask: the answer %s is no text", v)
		}
		offers = append(offers, s)
	}
	answer, err := asking(e, func(ctx context.Context) (string, error) { return e.rig.Confirm(ctx, text, at, offers) })
	return starlark.String(answer), err
}
