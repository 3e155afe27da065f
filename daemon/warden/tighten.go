package warden

import (
	"fmt"
	"slices"
	"time"

	"benchwarden/instruments/quantity"
)

// Tighten lowers the limits of a quantity until restore is called. A value above a limit in force is refused, so a script
// can never loosen one (P2).
func (w *Warden) Tighten(name string, high quantity.Value) (restore func(), err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	var hit []*watch
	for _, l := range w.limits {
		if l.Quantity != name || (l.Kind != High && l.Kind != Settled) {
			continue
		}
		if high.Unit != l.Value.Unit {
			return nil, fmt.Errorf("tighten %s to %v: the limit is %v", name, high, l.Value)
		}
		if !(high.Number <= l.effective().Number) {
			return nil, fmt.Errorf("tighten %s to %v: the limit in force is %v (%s); a script can only tighten", name, high, l.effective(), l.Origin)
		}
		hit = append(hit, l)
	}
	if len(hit) == 0 {
		return nil, fmt.Errorf("tighten %s: no limit of that name is in force", name)
	}
	w.tightens++
	id := w.tightens
	for _, l := range hit {
		l.tighten = append(l.tighten, tightened{id, high})
	}
	w.emitLimits(time.Now())
	return func() { w.restore(hit, id) }, nil
}

func (w *Warden) restore(hit []*watch, id int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, l := range hit {
		l.tighten = slices.DeleteFunc(l.tighten, func(t tightened) bool { return t.id == id })
	}
	if len(w.limits) > 0 {
		w.emitLimits(time.Now())
	}
}

// effective is the tightest of the limit and what scripts made of it.
func (l *watch) effective() quantity.Value {
	v := l.Value
	for _, t := range l.tighten {
		if t.value.Number < v.Number {
			v = t.value
		}
	}
	return v
}
