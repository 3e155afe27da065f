package script

import (
	"errors"
	"fmt"

	"go.starlark.net/starlark"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// keepBeside puts a suspect's trace into the record, and those of its siblings beside it; all are aligned.
func (e *engine) keepBeside(name string, suspect waveform.Trace, others []waveform.Trace) error {
	keep := func(kept event.Trace, t waveform.Trace) (err error) {
		if kept.Data, err = t.MarshalJSON(); err == nil {
			e.rig.Emit(kept)
		}
		return err
	}
	err := keep(event.Trace{Name: name}, suspect)
	for _, o := range others {
		err = errors.Join(err, keep(event.Trace{Name: o.Name + " beside " + name, Beside: name}, o))
	}
	return err
}

// beside(name, suspect, {"phase B": trace, ...}) keeps a suspect's trace beside those of its siblings: one period each, from its own
// rising edge on.
func (e *engine) beside(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var name string
	var v starlark.Value
	var siblings *starlark.Dict
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "name", &name, "suspect", &v, "others", &siblings); err != nil {
		return nil, err
	}
	var all []waveform.Trace
	var found []waveform.Pulses
	period := quantity.Seconds(0)
	add := func(name string, v starlark.Value) error {
		t, ok := v.(trace)
		if !ok {
			return fmt.Errorf("%s: %s is %s, want a trace", b.Name(), name, v.Type())
		}
		p := waveform.Analyse(t.Trace, waveform.Options{})
		if p.Period.Known() {
			period = max(period, quantity.Seconds(p.Period.Value))
		}
		t.Name = name
		all, found = append(all, t.Trace), append(found, p)
		return nil
	}
	if err := add(name, v); err != nil {
		return nil, err
	}
	for _, item := range siblings.Items() {
		sibling, _ := starlark.AsString(item[0])
		if err := add(sibling, item[1]); err != nil {
			return nil, err
		}
	}
	if period == 0 { // nothing chops: as long as they are
		period = all[0].Duration()
	}
	for i, t := range all {
		all[i] = t.Aligned(found[i], true, period/10).Section(-period/10, period)
	}
	return starlark.None, e.keepBeside(name+", suspected", all[0], all[1:])
}
