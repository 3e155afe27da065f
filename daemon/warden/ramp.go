package warden

import (
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// ramp is a supply's voltage on its way up, in one step or in several that follow each other.
type ramp struct {
	began, rose time.Time // the first rise and the last one
	joules      float64   // that the supply has given since
	fedAt       time.Time // until when they are counted
	watts       float64   // at that time
}

const (
	// rest is how long a voltage has to stand at its set value before its ramp counts as over (common practice, no source).
	rest = 5 * time.Second
	// there is the share of the set value at which a voltage has arrived.
	there = 0.97
)

// rises tells the ramp of a supply that its set value goes up, and forgets the ramp when the supply goes to zero.
func (s *steps) rises(from, to quantity.Volts, now time.Time) {
	switch {
	case to == 0 && from > 0:
		s.ramp = nil
	case to > from && s.ramp == nil:
		s.ramp = &ramp{began: now, rose: now, fedAt: now}
	case to > from:
		s.ramp.rose = now
	}
}

// energise counts what a supply gives on its way up, at each reading of its current, and ends the ramp once the voltage has stood
// at its set value for a while.
func (w *Warden) energise(r event.Reading) {
	role := roleOf(r.Name)
	s := w.steps[role]
	if s.ramp == nil || r.Name != role+".current" {
		return
	}
	volts := w.last[role+".voltage"].Number
	watts := volts * r.Value.Number
	if dt := r.Arrived.Sub(s.ramp.fedAt).Seconds(); dt > 0 {
		s.ramp.joules += (s.ramp.watts + watts) / 2 * dt
		s.ramp.fedAt, s.ramp.watts = r.Arrived, watts
	}
	if volts >= there*float64(s.set) && r.Arrived.Sub(s.ramp.rose) >= rest && !r.Arrived.Before(s.chargedBy) {
		s.ramp = nil
		w.steps[role] = s
	}
}

// given is what a supply has given on its way up; ramping is false when it is not on its way.
func (w *Warden) given(role string) (joules quantity.Value, ramping bool) {
	r := w.steps[role].ramp
	if r == nil {
		return joules, false
	}
	return quantity.Joules(r.joules).Value(), true
}
