package warden

import (
	"fmt"
	"strings"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// Feed judges one reading; what passes a limit often enough trips. A reading with an error is none: its age goes on
// growing.
func (w *Warden) Feed(r event.Reading) {
	if r.Error != "" {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if _, watched := w.last[r.Name]; watched {
		w.last[r.Name] = r.Asked
	}
	for _, l := range w.limits {
		if l.Quantity != r.Name {
			continue
		}
		passed, limit, judged := w.passes(l, r)
		if !judged {
			l.passed = nil
			continue
		}
		if l.count(passed) {
			reading := r.Value
			w.latch(r.Arrived, tripOf(l, r, &reading, limit))
		}
	}
}

// passes compares a reading with a limit; judged is false where the limit is not in force now.
func (w *Warden) passes(l *watch, r event.Reading) (passed bool, limit quantity.Value, judged bool) {
	limit = l.effective()
	switch l.Kind {
	case High:
		return !(r.Value.Number <= limit.Number), limit, true
	case Settled:
		if w.charging(roleOf(l.Quantity), r.Arrived) {
			return false, limit, false
		}
		return !(r.Value.Number <= limit.Number), limit, true
	case SetValue:
		set, ok := w.highestSet(roleOf(l.Quantity), r.Arrived)
		if !ok {
			return false, limit, false
		}
		limit.Number = set + max(limit.Number, 0.05*set)
		return !(r.Value.Number <= limit.Number), limit, true
	case ConstantCurrent:
		if w.charging(roleOf(l.Quantity), r.Arrived) {
			return false, limit, false
		}
		return r.Text == "CC", limit, true
	}
	return false, limit, false
}

// judgeTime trips on what did not arrive and on a run that lasts too long.
func (w *Warden) judgeTime(now time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, l := range w.limits {
		limit := l.effective()
		allowed := quantity.Seconds(limit.Number).Duration()
		switch l.Kind {
		case Age:
			age := now.Sub(w.last[l.Quantity])
			if age > allowed {
				value := quantity.SecondsOf(age).Value()
				w.latch(now, tripOf(l, event.Reading{Name: l.Quantity}, &value, limit))
			}
		case RunTime:
			lasted := now.Sub(w.armedAt)
			if lasted > allowed {
				value := quantity.SecondsOf(lasted).Value()
				w.latch(now, tripOf(l, event.Reading{Name: "run"}, &value, limit))
			}
		}
	}
}

// count remembers whether the reading passed the limit and says whether N of the last M did.
func (l *watch) count(passed bool) bool {
	l.passed = append(l.passed, passed)
	if len(l.passed) > l.M {
		l.passed = l.passed[1:]
	}
	n := 0
	for _, p := range l.passed {
		if p {
			n++
		}
	}
	return n >= l.N
}

func roleOf(name string) string {
	role, _, _ := strings.Cut(name, ".")
	return role
}

var causes = map[Kind]map[string]string{
	High:            {"voltage": "over-voltage", "current": "over-current"},
	Settled:         {"current": "over-current"},
	SetValue:        {"voltage": "over-voltage"},
	ConstantCurrent: {"mode": "constant current"},
}

func causeOf(l *watch) string {
	switch l.Kind {
	case Age:
		return "stale reading"
	case RunTime:
		return "run time"
	}
	_, what, _ := strings.Cut(l.Quantity, ".")
	if cause, ok := causes[l.Kind][what]; ok {
		return cause
	}
	return string(l.Kind)
}

var nextStep = map[string]string{
	"over-voltage":     "find out why the bus is above what was asked for before you reset",
	"over-current":     "leave the bus off and look for a short or a power device that conducts before you reset",
	"constant current": "the bus takes the whole current limit although it should be charged: look for a short before you reset",
	"stale reading":    "look at power, cable and settings of the instrument before you reset",
	"run time":         "the run took longer than the stage allows; look at what it waited for",
}

func tripOf(l *watch, r event.Reading, reading *quantity.Value, limit quantity.Value) event.Trip {
	cause := causeOf(l)
	in := l.event()
	in.Value = limit
	trip := event.Trip{Cause: cause, Reading: reading, Limit: &in, Do: nextStep[cause]}
	switch l.Kind {
	case Age:
		trip.Text = fmt.Sprintf("no reading of %s for %v, the limit is %v (%s)", l.Quantity, *reading, limit, l.Origin)
	case RunTime:
		trip.Text = fmt.Sprintf("the run has lasted %v, the limit is %v (%s)", *reading, limit, l.Origin)
	case ConstantCurrent:
		trip.Reading = nil
		trip.Text = fmt.Sprintf("%s is in constant current after the step had its time, %d of %d readings (%s)",
			roleOf(l.Quantity), l.N, l.M, l.Origin)
	default:
		trip.Text = fmt.Sprintf("%s is %v, the limit is %v, %s, %d of %d readings (%s)",
			r.Name, *reading, limit, l.Kind, l.N, l.M, l.Origin)
	}
	return trip
}
