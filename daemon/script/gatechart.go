package script

import (
	"fmt"

	"go.starlark.net/starlark"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/gates"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// chart is a gate chart in the making: view(...), wanting(...), watch(...), reversal(...), quiet(...), silent(), finish(...).
type chart struct {
	engine *engine
	*gates.Chart
}

// gate_chart(hidden = {"A.high": "why"}) begins a gate chart; hidden channels are those that this bench cannot show.
func (e *engine) gateChart(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var hidden *starlark.Dict
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "hidden?", &hidden); err != nil {
		return nil, err
	}
	sight := e.rig.Sight(e.family.Bridge.Legs[0])
	var err error
	if sight.Hidden, err = texts(hidden); err != nil {
		return nil, fmt.Errorf("gate_chart: hidden: %w", err)
	}
	c := &chart{engine: e, Chart: gates.New(e.family, sight)}
	return module("gate_chart", map[string]builtin{
		"view": c.view, "wanting": c.wanting, "watch": c.watch, "reversal": c.reversal, "quiet": c.addQuiet, "silent": c.silent, "finish": c.finish,
	}), nil
}

// texts takes a dict of text to text apart; None is empty.
func texts(d *starlark.Dict) (map[string]string, error) {
	m := map[string]string{}
	if d == nil {
		return m, nil
	}
	for _, item := range d.Items() {
		k, ok1 := starlark.AsString(item[0])
		v, ok2 := starlark.AsString(item[1])
		if !ok1 || !ok2 {
			return nil, fmt.Errorf("want text to text, got %s", item)
		}
		m[k] = v
	}
	return m, nil
}

// pair takes the two gates of a leg out of what a capture returned; None is an empty pair.
func (c *chart) pair(leg string, v starlark.Value) (gates.Pair, error) {
	if v == nil || v == starlark.None {
		return gates.Pair{}, nil
	}
	d, ok := v.(*starlark.Dict)
	if !ok {
		return gates.Pair{}, fmt.Errorf("got %s, want what scope.capture returned", v.Type())
	}
	get := func(channel string) (t trace, err error) {
		found, ok, err := d.Get(starlark.String("gate:" + channel))
		if err != nil || !ok {
			return t, fmt.Errorf("gate %s was not captured", channel)
		}
		return found.(trace), nil
	}
	highName, lowName := c.engine.family.Leg(leg)
	high, err := get(highName)
	if err != nil {
		return gates.Pair{}, err
	}
	low, err := get(lowName)
	return gates.Pair{High: high.Trace, Low: low.Trace}, err
}

// view(leg, code, direction, short, long, lamp) adds a leg at a Hall state.
func (c *chart) view(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	v := gates.View{}
	var direction string
	var short, long, lamp starlark.Value
	err := starlark.UnpackArgs(b.Name(), args, kwargs, "leg", &v.Leg, "code", &v.Code, "direction", &direction,
		"short", &short, "long?", &long, "lamp?", &lamp)
	if err != nil {
		return nil, err
	}
	v.Direction = drive.Direction(direction)
	if v.Short, err = c.pair(v.Leg, short); err != nil {
		return nil, fmt.Errorf("gate chart: short: %w", err)
	}
	if v.Long, err = c.pair(v.Leg, long); err != nil {
		return nil, fmt.Errorf("gate chart: long: %w", err)
	}
	v.Lamp = optional(lamp)
	return starlark.None, c.Add(v)
}

// wanting(leg, code, direction) is how many more pulses the Hall state has to show; 0 once it has, or where the family does not ask.
func (c *chart) wanting(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var leg, direction string
	var code int
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "leg", &leg, "code", &code, "direction", &direction); err != nil {
		return nil, err
	}
	return starlark.MakeInt(c.Wanting(leg, code, drive.Direction(direction))), nil
}

// watch(leg, code, direction, long) adds a further long capture, for missing and extra pulses only.
func (c *chart) watch(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var leg, direction string
	var code int
	var long starlark.Value
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "leg", &leg, "code", &code, "direction", &direction, "long", &long); err != nil {
		return nil, err
	}
	p, err := c.pair(leg, long)
	if err != nil {
		return nil, fmt.Errorf("gate chart: watch: %w", err)
	}
	return starlark.None, c.Watch(leg, code, drive.Direction(direction), p)
}

func optional(v starlark.Value) *bool {
	b, ok := v.(starlark.Bool)
	if !ok {
		return nil
	}
	return (*bool)(&b)
}

// reversal(leg, traces) adds a leg's gates while the reference changes its sign.
func (c *chart) reversal(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var leg string
	var traces starlark.Value
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "leg", &leg, "traces", &traces); err != nil {
		return nil, err
	}
	p, err := c.pair(leg, traces)
	if err != nil {
		return nil, fmt.Errorf("gate chart: reversal: %w", err)
	}
	return starlark.None, c.AddReversal(leg, p)
}

// quiet(check, situation, leg, traces, subject) adds a leg while the drive is not asked to turn a motor.
func (c *chart) addQuiet(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var q gates.Quiet
	var situation string
	var traces starlark.Value
	err := starlark.UnpackArgs(b.Name(), args, kwargs, "check", &q.Check, "situation", &situation, "leg", &q.Leg,
		"traces", &traces, "subject?", &q.Subject)
	if err != nil {
		return nil, err
	}
	q.Situation = drive.Situation(situation)
	if q.Pair, err = c.pair(q.Leg, traces); err != nil {
		return nil, fmt.Errorf("gate chart: quiet: %w", err)
	}
	return starlark.None, c.AddQuiet(q)
}

// silent() lists the channels that never moved: their probes have to be seen on their drivers' rails.
func (c *chart) silent(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0); err != nil {
		return nil, err
	}
	var channels []starlark.Value
	for _, name := range c.Silent() {
		channels = append(channels, starlark.String(name))
	}
	return starlark.NewList(channels), nil
}

// finish(on_rail, proven, withheld, missing, bad_rails, lamp) judges the chart: its checks and findings go into the run.
func (c *chart) finish(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var onRail *starlark.Dict
	var withheld, missing, badRails, proven *starlark.List
	var lamp starlark.Value
	err := starlark.UnpackArgs(b.Name(), args, kwargs, "on_rail?", &onRail, "withheld?", &withheld, "missing?", &missing,
		"bad_rails?", &badRails, "lamp?", &lamp, "proven?", &proven)
	if err != nil {
		return nil, err
	}
	around := gates.Circumstances{OnRail: map[string]quantity.Volts{}, Proven: map[string]bool{}, Lamp: optional(lamp)}
	var alive []string
	for list, into := range map[*starlark.List]*[]string{withheld: &around.Withheld, missing: &around.Missing, badRails: &around.BadRails, proven: &alive} {
		if list == nil {
			continue
		}
		for v := range list.Elements() {
			text, ok := starlark.AsString(v)
			if !ok {
				return nil, fmt.Errorf("gate chart: finish: %s is no text", v)
			}
			*into = append(*into, text)
		}
	}
	for _, channel := range alive {
		around.Proven[channel] = true
	}
	if onRail != nil {
		for _, item := range onRail.Items() {
			channel, ok := starlark.AsString(item[0])
			volts, isQuantity := item[1].(measured)
			if !ok || !isQuantity || volts.Unit != quantity.Volt {
				return nil, fmt.Errorf("gate chart: finish: on_rail wants channels with volts, got %s", item)
			}
			around.OnRail[channel] = quantity.Volts(volts.Number)
		}
	}
	r := c.Judge(around)
	c.engine.rig.Emit(r.Chart)
	for i, check := range r.Checks {
		r.Checks[i] = c.engine.keep(check)
	}
	for _, f := range r.Findings {
		c.engine.conclude(f)
	}
	for _, b := range r.Beside {
		if err := c.engine.keepBeside(b.Suspect.Name+", "+b.Check, b.Suspect, b.Others); err != nil {
			return nil, err
		}
	}
	outcome, _ := verdict.Sum(r.Checks, nil)
	return starlark.String(outcome), nil
}
