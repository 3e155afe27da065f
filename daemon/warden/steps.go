package warden

import (
	"slices"
	"time"

	"benchwarden/instruments/quantity"
)

// steps are the setpoint steps of one supply. Until a step up has settled the supply may stand in constant current, and until
// a step down has, the output may still stand at the value before. They belong to the bench, not to a run: an output that is
// on when a run begins keeps its set value.
type steps struct {
	set       quantity.Volts
	least     quantity.Volts // what the supply may have been told to fall to by now
	chargedBy time.Time
	falls     []fall
	ramp      *ramp // nil when the voltage is not on its way up
}

// fall is a value that was set before and that the output may still have until then.
type fall struct {
	from  quantity.Volts
	until time.Time
}

// Setpoint tells the warden that a supply is set from one voltage to another, and how long the output may take to follow.
func (w *Warden) Setpoint(role string, from, to quantity.Volts, settle time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := time.Now()
	until := now.Add(settle)
	s := w.steps[role]
	s.set, s.least = to, to
	s.rises(from, to, now)
	s.falls = slices.DeleteFunc(slices.Clone(s.falls), func(f fall) bool { return !now.Before(f.until) })
	switch {
	case to < from:
		s.falls = append(s.falls, fall{from, until})
	case until.After(s.chargedBy):
		s.chargedBy = until
	}
	w.steps[role] = s
}

// WillFall tells the warden that a supply is about to be set lower: from now on that is no collapse.
func (w *Warden) WillFall(role string, to quantity.Volts) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if s, known := w.steps[role]; known {
		s.least = min(s.least, to)
		w.steps[role] = s
	}
}

func (w *Warden) charging(role string, at time.Time) bool {
	return at.Before(w.steps[role].chargedBy)
}

// settled says whether a supply is set above zero and its steps, up and down, have had their time.
func (w *Warden) settled(role string, at time.Time) bool {
	s := w.steps[role]
	falling := slices.ContainsFunc(s.falls, func(f fall) bool { return at.Before(f.until) })
	return s.set > 0 && !falling && !at.Before(s.chargedBy)
}

// fed is the role of the supply that feeds what a role's instrument reads: the bus meter hangs on the bus.
func fed(role string) string {
	if role == "bus_meter" {
		return "bus"
	}
	return role
}

// highestSet is the highest voltage that a role's setpoints allow at a time; ok is false when it was never set.
func (w *Warden) highestSet(role string, at time.Time) (highest quantity.Volts, ok bool) {
	s, ok := w.steps[role]
	highest = s.set
	for _, f := range s.falls {
		if at.Before(f.until) {
			highest = max(highest, f.from)
		}
	}
	return highest, ok
}
