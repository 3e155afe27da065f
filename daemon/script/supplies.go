package script

import (
	"context"
	"fmt"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// announcedSupply is supply("bus", highest = 90 * V, limit = 100 * mA): one output of an announced energising.
type announcedSupply struct {
	role  string
	volts quantity.Volts
	limit quantity.Amperes
}

func (s announcedSupply) String() string {
	return fmt.Sprintf("supply(%s, %v, %v)", s.role, s.volts, s.limit)
}
func (s announcedSupply) Type() string          { return "supply" }
func (s announcedSupply) Freeze()               {}
func (s announcedSupply) Truth() starlark.Bool  { return true }
func (s announcedSupply) Hash() (uint32, error) { return starlark.String(s.String()).Hash() }

func announceSupply(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var s announcedSupply
	var highest, limit measured
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "role", &s.role, "highest", &highest, "limit", &limit); err != nil {
		return nil, err
	}
	if err := highest.need("supply: highest", quantity.Volt); err != nil {
		return nil, err
	}
	if err := limit.need("supply: limit", quantity.Ampere); err != nil {
		return nil, err
	}
	s.volts, s.limit = quantity.Volts(highest.Number), quantity.Amperes(limit.Number)
	return s, nil
}

// announce([supply(...), ...], longest = 60 * s, by_hand = {"reference": 4}) asks for the act at the bench. by_hand is how often something
// is done with a role's instrument meanwhile: where a person operates it, the longest time grows by what they need.
func (e *engine) announce(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var supplies *starlark.List
	var longest measured
	acts := &starlark.Dict{}
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "supplies", &supplies, "longest", &longest, "by_hand?", &acts); err != nil {
		return nil, err
	}
	if err := longest.need("announce: longest", quantity.Second); err != nil {
		return nil, err
	}
	a := Announcement{Volts: map[string]quantity.Volts{}, Limit: map[string]quantity.Amperes{}, Longest: quantity.Seconds(longest.Number), Acts: map[string]int{}}
	for _, item := range acts.Items() {
		role, ok := starlark.AsString(item[0])
		n, err := starlark.AsInt32(item[1])
		if !ok || err != nil || n < 0 {
			return nil, fmt.Errorf("announce: by_hand: %v: %v is no role with a count", item[0], item[1])
		}
		a.Acts[role] = n
	}
	for v := range supplies.Elements() {
		s, ok := v.(announcedSupply)
		if !ok {
			return nil, fmt.Errorf("announce: got %s, want supply(...)", v)
		}
		a.Volts[s.role], a.Limit[s.role] = s.volts, s.limit
	}
	return starlark.None, e.ask(func(ctx context.Context) error { return e.rig.Announce(ctx, a) })
}

// supplyModule is bus, control or reference: on, off, set, limit, voltage, current, mode.
func (e *engine) supplyModule(role string) *starlarkstruct.Module {
	return module(role, map[string]builtin{
		"on":      e.switchOn(role),
		"off":     e.switchOff(role),
		"set":     e.setVoltage(role),
		"limit":   e.setCurrent(role),
		"voltage": e.watched(role + ".voltage"),
		"current": e.watched(role + ".current"),
		"mode":    e.watched(role + ".mode"),
	})
}

func (e *engine) switchOn(role string) builtin {
	return func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		var volts measured
		var limit maybe
		if err := starlark.UnpackArgs(b.Name(), args, kwargs, "voltage", &volts, "limit?", &limit); err != nil {
			return nil, err
		}
		if err := volts.need(b.Name(), quantity.Volt); err != nil {
			return nil, err
		}
		var amperes quantity.Amperes
		if limit.measured != nil {
			if err := limit.need(b.Name(), quantity.Ampere); err != nil {
				return nil, err
			}
			amperes = quantity.Amperes(limit.Number)
		}
		return starlark.None, e.do(func(ctx context.Context) error {
			return e.rig.SwitchOn(ctx, role, quantity.Volts(volts.Number), amperes)
		})
	}
}

func (e *engine) switchOff(role string) builtin {
	return func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0); err != nil {
			return nil, err
		}
		return starlark.None, e.do(func(ctx context.Context) error { return e.rig.SwitchOff(ctx, role) })
	}
}

func (e *engine) setVoltage(role string) builtin {
	return func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		var volts measured
		if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &volts); err != nil {
			return nil, err
		}
		if err := volts.need(b.Name(), quantity.Volt); err != nil {
			return nil, err
		}
		return starlark.None, e.do(func(ctx context.Context) error {
			return e.rig.SetVoltage(ctx, role, quantity.Volts(volts.Number))
		})
	}
}

func (e *engine) setCurrent(role string) builtin {
	return func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		var limit measured
		if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &limit); err != nil {
			return nil, err
		}
		if err := limit.need(b.Name(), quantity.Ampere); err != nil {
			return nil, err
		}
		return starlark.None, e.do(func(ctx context.Context) error {
			return e.rig.SetCurrent(ctx, role, quantity.Amperes(limit.Number))
		})
	}
}

// watched is the next poll of a watched quantity: no query of the script's own goes to the instrument.
func (e *engine) watched(name string) builtin {
	return func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0); err != nil {
			return nil, err
		}
		reading, err := waiting(e, func(ctx context.Context) (Reading, error) { return e.rig.Next(ctx, name) })
		if err != nil {
			return nil, err
		}
		return reading.value(), nil
	}
}

func (r Reading) value() starlark.Value {
	if r.Text != "" {
		return starlark.String(r.Text)
	}
	b := verdict.NewBudget(r.Value.Unit)
	if r.Uncertainty > 0 {
		b.Limits(fmt.Sprintf("accuracy of %s (%s)", r.Instrument, r.Accuracy), r.Uncertainty)
	}
	return measured{Value: r.Value, uncertainty: r.Uncertainty, budget: b.Parts, instrument: r.Instrument, name: r.Name, at: r.At}
}
