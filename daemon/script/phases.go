package script

import (
	"fmt"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// chopped(trace) is what a phase of a chopping bridge does over whole periods: .mean, .rms, .high, .low, .rate, each a measure, and
// .still where it does not chop. Uncertainties are the scope's.
func (e *engine) chopped(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	t, err := oneTrace(b, args, kwargs)
	if err != nil {
		return nil, err
	}
	sight := e.rig.Sight("")
	c := waveform.FitChopped(t.Trace, waveform.ChoppedOptions{Absolute: sight.Accuracy, Relative: sight.Gain})
	return starlarkstruct.FromStringDict(starlark.String("chopped"), starlark.StringDict{
		"still": starlark.Bool(c.Still),
		"mean":  measure(c.Mean, quantity.Volt, "scope, over whole chopping periods"),
		"rms":   measure(c.RMS, quantity.Volt, "scope, over whole chopping periods"),
		"high":  measure(c.High, quantity.Volt, "scope, over whole chopping periods"),
		"low":   measure(c.Low, quantity.Volt, "scope, over whole chopping periods"),
		"rate":  measure(c.Rate, quantity.PerSecond, "scope, over whole chopping periods"),
	}), nil
}

// six_step([a, b, c]) takes six plateaus of each of three phases, in the order of the Hall states, apart: .forward says whether the
// second phase lags the first, .unbalance is the smaller over the larger sequence.
func sixStep(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var list *starlark.List
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &list); err != nil {
		return nil, err
	}
	var phases [3][6]float64
	u := 0.0
	if list.Len() != 3 {
		return nil, fmt.Errorf("%s: got %d phases, want three", b.Name(), list.Len())
	}
	for i := range 3 {
		plateaus, ok := list.Index(i).(*starlark.List)
		if !ok || plateaus.Len() != 6 {
			return nil, fmt.Errorf("%s: a phase has six plateaus", b.Name())
		}
		for k := range 6 {
			m, ok := plateaus.Index(k).(measured)
			if !ok || m.Unit != quantity.Volt {
				return nil, fmt.Errorf("%s: the plateau %v is no voltage", b.Name(), plateaus.Index(k))
			}
			phases[i][k], u = m.Number, max(u, m.uncertainty)
		}
	}
	turn := waveform.SixStep(phases[0], phases[1], phases[2], u)
	ratio := quantity.Ratio(turn.Unbalance.Value).Value()
	return starlarkstruct.FromStringDict(starlark.String("turn"), starlark.StringDict{
		"forward": starlark.Bool(turn.Forward),
		"unbalance": starlarkstruct.FromStringDict(starlark.String("measure"), starlark.StringDict{
			"known": starlark.Bool(turn.Unbalance.Known()), "why": starlark.String(turn.Unbalance.Undecided), "change": starlark.String(turn.Unbalance.Change),
			"value": measured{Value: ratio, uncertainty: quantity.Ratio(turn.Unbalance.U).Value().Number},
		}),
	}), nil
}
