package warden

import (
	"fmt"
	"slices"
	"sync"
	"time"

	"benchwarden/instruments/quantity"
)

// tightened is what a script made of a limit for a while.
type tightened struct {
	id    int
	value quantity.Value
}

// Tighten lowers the limits of a quantity until restore is called; after that the limits are what they were without it,
// whatever was restored before. A value above a limit in force is refused, so a script can never loosen one (P2).
func (w *Warden) Tighten(name string, high quantity.Value) (restore func(), err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	var hit []*watch
	for _, l := range w.limits {
		if l.Quantity != name || (l.Kind != High && l.Kind != Settled) {
			continue
		}
		inForce, origin := l.effective()
		switch {
		case high.Unit != l.Value.Unit:
			return nil, fmt.Errorf("tighten %s to %v: the limit is %v", name, high, l.Value)
		case !l.bounds(high):
			return nil, fmt.Errorf("tighten %s to %v: this cannot be a limit", name, high)
		case !(high.Number <= inForce.Number):
			return nil, fmt.Errorf("tighten %s to %v: the limit in force is %v (%s); a script can only tighten", name, high, inForce, origin)
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
	return sync.OnceFunc(func() { w.restore(hit, id) }), nil
}

func (w *Warden) restore(hit []*watch, id int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, l := range hit {
		l.tighten = slices.DeleteFunc(l.tighten, func(t tightened) bool { return t.id == id })
	}
	if slices.Contains(w.limits, hit[0]) { // else another run's limits are in force by now
		w.emitLimits(time.Now())
	}
}

// effective is the tightest of the limit and what scripts made of it, with where it comes from.
func (l *watch) effective() (quantity.Value, string) {
	v, origin := l.Value, l.Origin
	for _, t := range l.tighten {
		if t.value.Number < v.Number {
			v, origin = t.value, fmt.Sprintf("tightened by the script from %v, %s", l.Value, l.Origin)
		}
	}
	return v, origin
}
