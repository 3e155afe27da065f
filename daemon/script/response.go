package script

import (
	"fmt"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"
	"gonum.org/v1/gonum/stat/distuv"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// fit_response(references, outputs) is the straight line through what an output does with its reference: .gain, .zero (the
// reference at which the output begins), .offset, .worst (greatest deviation from the line) and .worst_at. Their uncertainties
// are those of the scatter about the line, at 95 %.
func fitResponse(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var references, outputs *starlark.List
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "references", &references, "outputs", &outputs); err != nil {
		return nil, err
	}
	xs, of, err := numbers(references)
	if err != nil {
		return nil, fmt.Errorf("%s: references: %w", b.Name(), err)
	}
	ys, out, err := numbers(outputs)
	if err != nil {
		return nil, fmt.Errorf("%s: outputs: %w", b.Name(), err)
	}
	r, err := waveform.FitResponse(xs, ys)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", b.Name(), err)
	}
	k := distuv.StudentsT{Sigma: 1, Nu: float64(r.Points - 2)}.Quantile(0.975)
	value := func(number, standard float64, unit quantity.Unit) starlark.Value {
		return measured{Value: quantity.Value{Number: number, Unit: unit}, uncertainty: k * standard}
	}
	per := quantity.Value{Number: 1, Unit: out}.Div(quantity.Value{Number: 1, Unit: of}).Unit
	return starlarkstruct.FromStringDict(starlark.String("response"), starlark.StringDict{
		"gain":     value(r.Gain, r.GainU, per),
		"zero":     value(r.Zero, r.ZeroU, of),
		"offset":   value(r.Offset, r.OffsetU, out),
		"worst":    value(r.Worst, 0, out),
		"worst_at": value(r.WorstAt, 0, of),
	}), nil
}

// share(0.98) is a number without unit in percent: 98 %.
func share(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var v starlark.Value
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &v); err != nil {
		return nil, err
	}
	part, ok := plain(v)
	if !ok || part.Unit != quantity.One && part.Unit != quantity.Percent {
		return nil, fmt.Errorf("%s: %v is no number without unit", b.Name(), v)
	}
	return measured{Value: quantity.Ratio(part.Number).Value()}, nil
}

// numbers are the values of a list of quantities or of bare numbers, all in one unit.
func numbers(list *starlark.List) (values []float64, unit quantity.Unit, err error) {
	for v := range list.Elements() {
		q, ok := plain(v)
		if !ok {
			return nil, unit, fmt.Errorf("got %s, want quantities", v.Type())
		}
		if len(values) > 0 && q.Unit != unit {
			return nil, unit, fmt.Errorf("%v stands among quantities in %v", q, unit)
		}
		values, unit = append(values, q.Number), q.Unit
	}
	return values, unit, nil
}

// duty(level) is the share of a period that a gate is on, as a measure, with .still: it does not switch at all, and is then
// on (1) or off (0) by the level.
func (t trace) duty(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var level measured
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &level); err != nil {
		return nil, err
	}
	if err := level.need(b.Name(), quantity.Volt); err != nil {
		return nil, err
	}
	p := waveform.Analyse(t.Trace, waveform.Options{})
	m, still := p.Duty, false
	if high, decided := p.IsHigh(quantity.Volts(level.Number)); decided {
		m, still = waveform.Measure{}, true
		if high {
			m.Value = 1
		}
	}
	return starlarkstruct.FromStringDict(starlark.String("duty"), starlark.StringDict{
		"known":       starlark.Bool(m.Known()),
		"still":       starlark.Bool(still),
		"value":       starlark.Float(m.Value),
		"uncertainty": starlark.Float(m.U),
		"why":         starlark.String(m.Undecided),
		"change":      starlark.String(m.Change),
	}), nil
}
