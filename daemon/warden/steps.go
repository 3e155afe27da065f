package warden

import (
	"math"
	"time"

	"benchwarden/instruments/quantity"
)

// step is the last setpoint step of a supply: until chargedBy it may be in constant current, until fallenBy the bus may
// still stand at the value before.
type step struct {
	set, before quantity.Volts
	chargedBy   time.Time
	fallenBy    time.Time
}

// Setpoint tells the warden that a supply is about to be set from one voltage to another with this current limit. A step up
// may take 1.5·C·dU/(I-load) + 0.5 s in constant current; a step down may take the bus's own discharge. (common practice,
// no source; I = C·dU/dt)
func (w *Warden) Setpoint(role string, from, to quantity.Volts, limit quantity.Amperes) {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := time.Now()
	s := step{set: to, before: to, chargedBy: w.steps[role].chargedBy, fallenBy: now}
	if role == "bus" {
		if to > from {
			s.chargedBy = now.Add(w.chargeTime(to-from, limit))
		} else {
			s.before, s.fallenBy = from, now.Add(w.fallTime(from, to))
		}
	} else {
		const slew = 2 * time.Second // a control or reference output without the bus's capacitors (common practice, no source)
		s.chargedBy = now.Add(slew)
		if to < from {
			s.before, s.fallenBy = from, now.Add(slew)
		}
	}
	w.steps[role] = s
}

// longestStep bounds every step, whatever the figures say.
const longestStep = 60 * time.Second

func (w *Warden) chargeTime(dU quantity.Volts, limit quantity.Amperes) time.Duration {
	spare := float64(limit - w.drive.Load)
	if !(spare > 0) {
		return longestStep
	}
	t := 1.5*float64(w.drive.Capacitance)*float64(dU)/spare + 0.5
	return min(quantity.Seconds(t).Duration(), longestStep)
}

func (w *Warden) fallTime(from, to quantity.Volts) time.Duration {
	floor := max(float64(to), 0.5) // an exponential never reaches zero
	if float64(from) <= floor {
		return time.Second
	}
	t := 1.5*float64(w.drive.Discharge)*math.Log(float64(from)/floor) + 1
	return min(quantity.Seconds(t).Duration(), longestStep)
}

func (w *Warden) charging(role string, at time.Time) bool {
	return at.Before(w.steps[role].chargedBy)
}

// highestSet is the highest voltage that a role's setpoints allow now.
func (w *Warden) highestSet(role string, at time.Time) (float64, bool) {
	if role == "bus_meter" {
		role = "bus"
	}
	s, ok := w.steps[role]
	if !ok {
		return 0, false
	}
	if at.Before(s.fallenBy) {
		return float64(max(s.set, s.before)), true
	}
	return float64(s.set), true
}
