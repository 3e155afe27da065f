package script

import (
	"context"
	"fmt"
	"math"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"

	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// Cold is a drive that is not energised, looked at with a meter between two points.
type Cold interface {
	// Switched says whether a switch matrix brings the meter to both points, so that nobody has to move leads.
	Switched(high, low string) bool
	// Between reads "ohms" or "diode" with the positive lead on high and the other on low; open is past the meter's range.
	Between(ctx context.Context, high, low, test string) (r Reading, open bool, err error)
	// FourWire says whether the meter's leads are four, so that a resistance has nothing of them in it.
	FourWire() bool
	// Join shorts two points for a moment, so that a gate loses the charge that a meter left there.
	Join(ctx context.Context, a, b string) error
	// LeadsOff has the leads taken off the drive.
	LeadsOff(ctx context.Context) error
}

// coldModule is cold: between, join, leads_off, null, order, switched.
func (e *engine) coldModule() *starlarkstruct.Module {
	return module("cold", map[string]builtin{
		"between":   e.between,
		"join":      e.join,
		"null":      e.nullLeads,
		"order":     e.leadOrder,
		"switched":  e.switched,
		"leads_off": e.leadsOff,
	})
}

// between(high, low, "ohms", null) reads between two points; None is past the meter's range. null is what the leads alone read: it
// is taken off, its uncertainty counts.
func (e *engine) between(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var high, low, test string
	var null maybe
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "high", &high, "low", &low, "test", &test, "null?", &null); err != nil {
		return nil, err
	}
	r, open, err := e.readBetween(high, low, test)
	if err != nil || open {
		return starlark.None, err
	}
	m := r.value().(measured)
	if null.measured != nil {
		if err := null.need(b.Name()+": null", quantity.Ohm); err != nil || m.Unit != quantity.Ohm {
			return nil, fmt.Errorf("%s: leads are nulled in ohms only: %w", b.Name(), err)
		}
		m.Number = math.Max(0, m.Number-null.Number)
		parts := verdict.NewBudget(quantity.Ohm)
		parts.Parts = append(parts.Parts, m.budget...)
		if null.uncertainty > 0 { // as independent: errors that both readings share fall out of the difference
			parts.Limits(fmt.Sprintf("nulling the leads (%v)", null.Value), null.uncertainty)
		}
		m.budget = parts.Parts
		m.uncertainty, _ = parts.Expanded()
	}
	return m, nil
}

func (e *engine) readBetween(high, low, test string) (r Reading, open bool, err error) {
	wait := e.ask
	if e.rig.Switched(high, low) {
		wait = e.do
	}
	err = wait(func(ctx context.Context) error {
		r, open, err = e.rig.Between(ctx, high, low, test)
		return err
	})
	return r, open, err
}

// null(point) is what the leads read when both are on one point; nothing where there are four.
func (e *engine) nullLeads(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var point string
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &point); err != nil {
		return nil, err
	}
	if e.rig.FourWire() {
		e.rig.Emit(event.Note{Text: "resistances are read with four wires: nothing of the leads is in them, nothing is nulled"})
		return measured{Value: quantity.Ohms(0).Value()}, nil
	}
	r, open, err := e.readBetween(point, point, "ohms")
	switch {
	case err != nil:
		return nil, err
	case open:
		return nil, fmt.Errorf("the meter reads nothing with both leads on %s: a lead is broken or not plugged in", point)
	}
	return r.value(), nil
}

func (e *engine) join(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var one, other string
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 2, &one, &other); err != nil {
		return nil, err
	}
	return starlark.None, e.ask(func(ctx context.Context) error { return e.rig.Join(ctx, one, other) })
}

func (e *engine) leadsOff(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0); err != nil {
		return nil, err
	}
	return starlark.None, e.ask(e.rig.LeadsOff)
}

func (e *engine) switched(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var high, low string
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 2, &high, &low); err != nil {
		return nil, err
	}
	return starlark.Bool(e.rig.Switched(high, low)), nil
}

// order([(high, low), ...]) gives the places in the list in the order that moves the leads least.
func (e *engine) leadOrder(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var list *starlark.List
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &list); err != nil {
		return nil, err
	}
	var pairs []leads
	for v := range list.Elements() {
		t, ok := v.(starlark.Tuple)
		if !ok || len(t) != 2 {
			return nil, fmt.Errorf("%s: want pairs of test points, got %s", b.Name(), v)
		}
		high, ok1 := starlark.AsString(t[0])
		low, ok2 := starlark.AsString(t[1])
		if !ok1 || !ok2 {
			return nil, fmt.Errorf("%s: test points are text, got %s", b.Name(), v)
		}
		pairs = append(pairs, leads{high, low})
	}
	return intList(fewestMoves(pairs)), nil
}
