package script

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"

	"benchwarden/daemon/event"
	"benchwarden/daemon/gates"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// scopeModule is scope: arm(...) and capture(...), keep(trace), beside(trace, others).
func (e *engine) scopeModule() *starlarkstruct.Module {
	return module("scope", map[string]builtin{
		"arm":      e.arm,
		"capture":  e.capture,
		"probe_at": e.probeAt,
		"keep":     e.keepTrace,
		"beside":   e.beside,
	})
}

func (e *engine) meterModule() *starlarkstruct.Module {
	return module("meter", map[string]builtin{
		"read": func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			function := "volts"
			if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0, &function); err != nil {
				return nil, err
			}
			r, err := waiting(e, func(ctx context.Context) (Reading, error) { return e.rig.MeterRead(ctx, function) })
			if err != nil {
				return nil, err
			}
			return r.value(), nil
		},
	})
}

// captureArgs reads what arm and capture have in common.
func captureArgs(b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (c Capture, within measured, err error) {
	var list *starlark.List
	var low, high, rate, duration measured
	var level maybe
	position := 0.5
	within = measured{Value: quantity.Seconds(1).Value()}
	c.Edge = "rising"
	if err = starlark.UnpackArgs(b.Name(), args, kwargs, "points", &list, "low", &low, "high", &high, "rate", &rate,
		"duration", &duration, "trigger?", &c.Trigger, "level?", &level, "edge?", &c.Edge, "position?", &position,
		"peak?", &c.Peak, "within?", &within); err != nil {
		return c, within, err
	}
	for _, need := range []struct {
		m    measured
		name string
		unit quantity.Unit
	}{{low, "low", quantity.Volt}, {high, "high", quantity.Volt}, {rate, "rate", quantity.PerSecond},
		{duration, "duration", quantity.Second}, {within, "within", quantity.Second}} {
		if err = need.m.need(b.Name()+": "+need.name, need.unit); err != nil {
			return c, within, err
		}
	}
	for v := range list.Elements() {
		point, ok := starlark.AsString(v)
		if !ok {
			return c, within, fmt.Errorf("%s: the test point %s is no text", b.Name(), v)
		}
		c.Points = append(c.Points, point)
	}
	c.Low, c.High = quantity.Volts(low.Number), quantity.Volts(high.Number)
	c.Rate, c.Position = quantity.Hertz(rate.Number), quantity.Ratio(position)
	c.Samples = int(rate.Number*duration.Number + 0.5)
	if level.measured != nil {
		if err = level.need(b.Name()+": level", quantity.Volt); err != nil {
			return c, within, err
		}
		c.Level = quantity.Volts(level.Number)
	}
	if !(c.Low < c.High) || c.Samples < 8 {
		return c, within, fmt.Errorf("%s: %v to %v with %d samples is no capture", b.Name(), c.Low, c.High, c.Samples)
	}
	return c, within, nil
}

// capture(points, low, high, rate, duration, trigger, level, edge, position, peak, within) captures now; the traces come by
// point, or None when nothing triggered.
func (e *engine) capture(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	c, within, err := captureArgs(b, args, kwargs)
	if err != nil {
		return nil, err
	}
	return e.waitFor(within, func(ctx context.Context) (Pending, error) { return e.rig.Arm(ctx, c) })
}

// arm takes the arguments of capture and returns at once; the result's wait() brings the traces after what is to be looked
// at was done.
func (e *engine) arm(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	c, within, err := captureArgs(b, args, kwargs)
	if err != nil {
		return nil, err
	}
	pending, err := waiting(e, func(ctx context.Context) (Pending, error) { return e.rig.Arm(ctx, c) })
	if err != nil {
		return nil, err
	}
	return module("pending", map[string]builtin{
		"wait": func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0); err != nil {
				return nil, err
			}
			return e.waitFor(within, func(context.Context) (Pending, error) { return pending, nil })
		},
	}), nil
}

func (e *engine) waitFor(within measured, arm func(context.Context) (Pending, error)) (starlark.Value, error) {
	var triggered bool
	traces, err := waiting(e, func(ctx context.Context) (traces map[string]waveform.Trace, err error) {
		pending, err := arm(ctx)
		if err != nil {
			return nil, err
		}
		traces, triggered, err = pending.Wait(ctx, quantity.Seconds(within.Number).Duration())
		return traces, err
	})
	if err != nil || !triggered {
		return starlark.None, err
	}
	var points []string
	for point := range traces {
		points = append(points, point)
	}
	slices.Sort(points)
	d := starlark.NewDict(len(traces))
	for _, point := range points {
		if err := d.SetKey(starlark.String(point), trace{traces[point], e.rig.Sight("")}); err != nil {
			return nil, err
		}
	}
	return d, nil
}

func (e *engine) probeAt(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var point string
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &point); err != nil {
		return nil, err
	}
	if probe, ok := e.rig.ProbeAt(point); ok {
		return starlark.String(probe), nil
	}
	return starlark.None, nil
}

// keep(name, trace) puts a trace into the record.
func (e *engine) keepTrace(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var name string
	var v starlark.Value
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "name", &name, "trace", &v); err != nil {
		return nil, err
	}
	t, ok := v.(trace)
	if !ok {
		return nil, fmt.Errorf("scope.keep: got %s, want a trace", v.Type())
	}
	data, err := t.MarshalJSON()
	if err != nil {
		return nil, err
	}
	e.rig.Emit(event.Trace{Name: name, Data: data})
	return starlark.None, nil
}

// oneTrace takes a builtin's only argument.
func oneTrace(b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (t trace, err error) {
	var v starlark.Value
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &v); err != nil {
		return t, err
	}
	t, ok := v.(trace)
	if !ok {
		return t, fmt.Errorf("%s: got %s, want a trace", b.Name(), v.Type())
	}
	return t, nil
}

// trace is a captured record in a script, with how well the scope saw it.
type trace struct {
	waveform.Trace
	sight gates.Sight
}

var _ starlark.HasAttrs = trace{}

func (t trace) String() string        { return fmt.Sprintf("trace of %d samples, %v apart", t.Len(), t.Step) }
func (t trace) Type() string          { return "trace" }
func (t trace) Freeze()               {}
func (t trace) Truth() starlark.Bool  { return t.Len() > 0 }
func (t trace) Hash() (uint32, error) { return 0, fmt.Errorf("a trace is no key") }

func (t trace) AttrNames() []string {
	return []string{"above", "duty", "mean", "overlap", "peak_to_peak", "resolution", "step", "stretches"}
}

// Attr gives .above(level), .duty(level), .overlap(other, level), .peak_to_peak(), .mean(), .stretches(length, level), .resolution
// and .step.
func (t trace) Attr(name string) (starlark.Value, error) {
	switch name {
	case "step":
		return measured{Value: t.Step.Value()}, nil
	case "resolution":
		return measured{Value: t.Resolution().Value()}, nil
	case "above":
		return starlark.NewBuiltin("above", func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			var level measured
			if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &level); err != nil {
				return nil, err
			}
			return excursions(waveform.Crossings(t.Trace, quantity.Volts(level.Number))), level.need(b.Name(), quantity.Volt)
		}), nil
	case "overlap":
		return starlark.NewBuiltin("overlap", func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			var other starlark.Value
			var level measured
			if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 2, &other, &level); err != nil {
				return nil, err
			}
			o, ok := other.(trace)
			if !ok {
				return nil, fmt.Errorf("overlap: got %s, want a trace", other.Type())
			}
			v := quantity.Volts(level.Number)
			return excursions(waveform.Overlaps(t.Trace, o.Trace, v, v)), level.need(b.Name(), quantity.Volt)
		}), nil
	case "stretches":
		return starlark.NewBuiltin("stretches", t.stretches), nil
	case "duty":
		return starlark.NewBuiltin("duty", t.duty), nil
	case "peak_to_peak":
		return t.voltage(name, func() waveform.Measure {
			p := waveform.Analyse(t.Trace, waveform.Options{})
			swing := p.Max - p.Min
			return waveform.Measure{Value: swing, U: float64(t.sight.Gain)*swing + 2*float64(t.Resolution())}
		}), nil
	case "mean":
		return t.voltage(name, func() waveform.Measure {
			mean := t.mean()
			return waveform.Measure{Value: mean, U: float64(t.sight.Gain)*math.Abs(mean) + float64(t.sight.Accuracy+t.Resolution())}
		}), nil
	}
	return nil, nil
}

// stretches(length, level) cuts the trace: of each stretch .start, .share at or above level, .lowest, .highest.
func (t trace) stretches(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var length, level measured
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 2, &length, &level); err != nil {
		return nil, err
	}
	if err := errors.Join(length.need(b.Name(), quantity.Second), level.need(b.Name(), quantity.Volt)); err != nil {
		return nil, err
	}
	var cut []starlark.Value
	for _, s := range waveform.Stretches(t.Trace, quantity.Seconds(length.Number), quantity.Volts(level.Number)) {
		cut = append(cut, starlarkstruct.FromStringDict(starlark.String("stretch"), starlark.StringDict{
			"start":   measured{Value: s.Start.Value(), instrument: "scope"},
			"share":   starlark.Float(s.Share),
			"lowest":  measured{Value: s.Lowest.Value(), instrument: "scope"},
			"highest": measured{Value: s.Highest.Value(), instrument: "scope"},
		}))
	}
	return starlark.NewList(cut), nil
}

// voltage is what was worked out of the trace; the limits of error of the scope and the steps of the trace are its uncertainty.
func (t trace) voltage(name string, of func() waveform.Measure) *starlark.Builtin {
	return starlark.NewBuiltin(name, func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 0); err != nil {
			return nil, err
		}
		m := of()
		parts := verdict.NewBudget(quantity.Volt)
		parts.Limits("accuracy of scope, and the steps of the trace", m.U)
		return measured{Value: quantity.Volts(m.Value).Value(), uncertainty: m.U, budget: parts.Parts, instrument: "scope"}, nil
	})
}

func (t trace) mean() float64 {
	sum := 0.0
	for i := range t.Len() {
		sum += t.At(i)
	}
	return sum / float64(max(1, t.Len()))
}

func excursions(found []waveform.Excursion) *starlark.List {
	var values []starlark.Value
	for _, x := range found {
		values = append(values, starlarkstruct.FromStringDict(starlark.String("excursion"), starlark.StringDict{
			"start":    measured{Value: x.Start.Value(), instrument: "scope"},
			"duration": measured{Value: x.Duration.Value(), instrument: "scope"},
			"peak":     measured{Value: x.Peak.Value(), instrument: "scope"},
			"open":     starlark.Bool(x.Open),
		}))
	}
	return starlark.NewList(values)
}
