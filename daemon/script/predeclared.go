package script

import (
	"context"
	"fmt"
	"time"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"

	"benchwarden/instruments/quantity"
)

// predeclared are the names that a script finds, besides Starlark's own. With a nil engine they are names only: a
// script's statements of itself are read without a bench.
func predeclared(e *engine) starlark.StringDict {
	d := units()
	add := func(name string, f builtin) { d[name] = starlark.NewBuiltin(name, f) }
	add("magnitude", magnitude)
	add("supply", announceSupply)
	add("struct", starlarkstruct.Make)
	add("step", e.step)
	add("note", e.note)
	add("check", e.check)
	add("undecided", e.undecided)
	add("not_shown", e.notShown)
	add("not_applicable", e.notApplicable)
	add("finding", e.finding)
	add("stop", e.stop)
	add("wait", e.wait)
	add("clock", e.clock)
	add("announce", e.announce)
	add("tighten", e.tighten)
	add("read", e.read)
	add("fit_ramp", e.fitRamp)
	add("fit_discharge", e.fitDischarge)
	add("fit_quiescent", e.fitQuiescent)
	add("fit_series_resistance", e.fitSeriesResistance)
	add("ripple", e.ripple)
	add("stored_energy", storedEnergy)
	add("odd_one_out", oddOneOut)
	add("preferred_values", preferredValues)
	add("ratio", ratio)
	add("share", share)
	add("progress", e.progress)
	add("fit_response", fitResponse)
	add("gate_chart", e.gateChart)
	add("chopped", e.chopped)
	add("six_step", sixStep)
	supplies := e.supplies()
	for role, supply := range supplies {
		d[role] = supply
	}
	add("output", outputOf(supplies))
	d["part"] = partValue(e.part())
	d["bench"] = e.benchModule()
	d["bus_meter"] = module("bus_meter", map[string]builtin{"voltage": e.watched("bus_meter.voltage")})
	d["hall"] = e.hallModule()
	d["contacts"] = e.contactsModule()
	d["scope"] = e.scopeModule()
	d["meter"] = e.meterModule()
	d["person"] = e.personModule()
	d["cold"] = e.coldModule()
	return d
}

type builtin = func(*starlark.Thread, *starlark.Builtin, starlark.Tuple, []starlark.Tuple) (starlark.Value, error)

func module(name string, functions map[string]builtin) *starlarkstruct.Module {
	m := &starlarkstruct.Module{Name: name, Members: starlark.StringDict{}}
	for f, body := range functions {
		m.Members[f] = starlark.NewBuiltin(name+"."+f, body)
	}
	return m
}

// wait(0.3 * s) lets time pass; a trip or a stop ends it.
func (e *engine) wait(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var q measured
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &q); err != nil {
		return nil, err
	}
	if err := q.need(b.Name(), quantity.Second); err != nil {
		return nil, err
	}
	return starlark.None, e.do(func(ctx context.Context) error {
		timer := time.NewTimer(quantity.Seconds(q.Number).Duration())
		defer timer.Stop()
		select {
		case <-timer.C:
			return nil
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	})
}

// clock() is the time since the run began.
func (e *engine) clock(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0); err != nil {
		return nil, err
	}
	return measured{Value: quantity.SecondsOf(time.Since(e.started)).Value()}, nil
}

// tighten("bus.voltage", 30 * V) lowers a trip limit; the result's restore() puts it back where it was.
func (e *engine) tighten(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var name string
	var high measured
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "quantity", &name, "high", &high); err != nil {
		return nil, err
	}
	restore, err := e.rig.Tighten(name, high.Value)
	if err != nil {
		return nil, err
	}
	return module("limit", map[string]builtin{
		"restore": func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0); err != nil {
				return nil, err
			}
			restore()
			return starlark.None, nil
		},
	}), nil
}

// stop("reason") ends the run: what follows makes no sense.
func (e *engine) stop(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var reason string
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &reason); err != nil {
		return nil, err
	}
	return nil, fmt.Errorf("%w: %s", ErrStopped, reason)
}

// output("bus") is the supply of that role, for scripts that take the role from the family's data.
func outputOf(supplies map[string]starlark.Value) builtin {
	return func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		var role string
		if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &role); err != nil {
			return nil, err
		}
		if s, ok := supplies[role]; ok {
			return s, nil
		}
		return nil, fmt.Errorf("output: %q is no supply", role)
	}
}

// benchModule is bench: has("scope"), by_hand("scope"), output_capacitance("bus"), pulls_down("bus"), limiter().
func (e *engine) benchModule() *starlarkstruct.Module {
	of := func(value func(role string) starlark.Value) builtin {
		return func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			var role string
			if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &role); err != nil {
				return nil, err
			}
			return value(role), nil
		}
	}
	return module("bench", map[string]builtin{
		"has":                of(func(role string) starlark.Value { return starlark.Bool(e.rig.HasRole(role)) }),
		"by_hand":            of(func(role string) starlark.Value { return starlark.Bool(e.rig.ByHand(role)) }),
		"output_capacitance": of(func(role string) starlark.Value { return measured{Value: e.rig.OutputCapacitance(role).Value()} }),
		"limiter": func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0); err != nil {
				return nil, err
			}
			kind, value := e.rig.Limiter()
			return starlarkstruct.FromStringDict(starlark.String("limiter"), starlark.StringDict{"kind": starlark.String(kind), "value": starlark.String(value)}), nil
		},
		"pulls_down": of(func(role string) starlark.Value { return starlark.Bool(e.rig.PullsDown(role)) }),
	})
}
