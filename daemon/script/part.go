package script

import (
	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// Part says which part of a long run this one is. The zero value is the first.
type Part struct {
	Continues string           // the run that was cut off; empty: this is the first part
	Number    int              // 1 for the first; 0 too
	Done      quantity.Seconds // what the parts before have done
	Gap       quantity.Seconds // since the part before was last heard of
	// ClockSetBack says that Gap is not known: the part before was last heard of later than it is now.
	ClockSetBack bool
}

// GapInWords says how long the gap was, or why that is not known.
func (p Part) GapInWords() string {
	if p.ClockSetBack {
		return "how long the gap was is not known: the computer's clock was set back meanwhile"
	}
	return "the gap was " + p.Gap.String()
}

// partValue is part: .number, .done, .gap (in words).
func partValue(p Part) starlark.Value {
	return starlarkstruct.FromStringDict(starlark.String("part"), starlark.StringDict{
		"number": starlark.MakeInt(max(1, p.Number)),
		"done":   measured{Value: p.Done.Value()},
		"gap":    starlark.String(p.GapInWords()),
	})
}

// part is which part of a long run this is; without an engine a script is only read.
func (e *engine) part() Part {
	if e == nil {
		return Part{}
	}
	return e.rig.Part()
}

// progress(done, of) tells how far a long run is; a part that continues it begins there.
func (e *engine) progress(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var done, of measured
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "done", &done, "of", &of); err != nil {
		return nil, err
	}
	for _, q := range []measured{done, of} {
		if err := q.need(b.Name(), quantity.Second); err != nil {
			return nil, err
		}
	}
	e.rig.Emit(event.Progress{Done: quantity.Seconds(done.Number), Of: quantity.Seconds(of.Number)})
	return starlark.None, nil
}
