package warden

import (
	"fmt"
	"strings"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// causeOf names the cause of a trip.
func causeOf(l *watch, unreadable bool) string {
	switch {
	case unreadable:
		return event.UnreadableReading
	case l.Kind == Age:
		return event.StaleReading
	case l.Kind == RunTime:
		return event.RunTime
	case l.Kind == ConstantCurrent:
		return event.ConstantCurrent
	case l.Kind == Collapse:
		return event.Collapse
	case l.Kind == Power:
		return event.OverPower
	case l.Kind == Apart:
		return event.LeadOff
	case l.Kind == RampTime:
		return event.RampTime
	case l.Kind == RampEnergy:
		return event.RampEnergy
	case l.Value.Unit == quantity.DegC:
		return event.OverTemperature
	case l.Kind == Interlock:
		return event.InterlockOpen
	case l.Kind == Protection:
		return event.ProtectionActed
	}
	_, what, _ := strings.Cut(l.Quantity, ".")
	return "over-" + what
}

// nextStep is what to do before the reset; %s is the role.
var nextStep = map[string]string{
	event.OverVoltage:       "find out why %s is above what was asked for before you reset",
	event.OverCurrent:       "leave %s off and look for a short or a power device that conducts before you reset",
	event.ConstantCurrent:   "%s gives its whole current limit although it should have settled: look for a short before you reset",
	event.Collapse:          "something pulls %s down: look for a load, a short or a fuse that opened before you reset",
	event.OverPower:         "leave %s off and find out where its power goes before you reset",
	event.LeadOff:           "the supply and %s do not read the same bus: with the bus proven down, look at both pairs of leads, fuses and the relay between before you reset",
	event.OverTemperature:   "let it cool, and look at its fan and at what heats it before you reset",
	event.RampTime:          "%s does not get to where it was set in its time: look for a load, a short or too low a current limit before you reset",
	event.RampEnergy:        "%s has given more energy than a good drive takes on its way up: look for a load or a short before you reset",
	event.StaleReading:      "look at power, cable and settings of %s before you reset",
	event.UnreadableReading: "the answers of %s make no sense: look at its dialect, its range and its cable before you reset",
	event.RunTime:           "the run took longer than the stage allows: look at what it waited for before you start it again",
	event.InterlockOpen:     "close the bench's cover or door, see that nobody is inside, then reset",
	event.ProtectionActed:   "find out what made %s protect itself; its protection is cleared when it is switched on again after the reset",
}

func whatToDo(cause, role string) string {
	text, ok := nextStep[cause]
	if !ok {
		text = "find out why %s passed its limit before you reset"
	}
	return strings.ReplaceAll(text, "%s", role)
}

// tripOf says what happened: cause, reading, limit, where the limit came from, and what to do.
func tripOf(l *watch, r event.Reading, v judgement) event.Trip {
	cause := causeOf(l, v.unreadable)
	role := roleOf(l.Quantity)
	in := l.event()
	in.Value, in.Origin = v.limit, v.origin
	trip := event.Trip{Cause: cause, Limit: &in, Do: whatToDo(cause, role)}
	counted := fmt.Sprintf("%d of %d readings (%s)", l.N, l.M, v.origin)
	switch {
	case v.unreadable:
		trip.Text = fmt.Sprintf("%s reads %v, which cannot be compared with its limit of %v, %s", r.Name, r.Value, v.limit, counted)
		return trip
	case l.Kind == ConstantCurrent:
		trip.Text = fmt.Sprintf("%s is in constant current after the step had its time, %s", role, counted)
		return trip
	case l.Kind == Interlock:
		trip.Text = fmt.Sprintf("the %s reads %q and has to read \"closed\", %s", l.Quantity, r.Text, counted)
		return trip
	case l.Kind == Protection:
		trip.Text = fmt.Sprintf("the protection of %s has acted: %s, %s", role, r.Text, counted)
		return trip
	}
	reading := r.Value
	if v.found != nil {
		reading = *v.found
	}
	trip.Reading = &reading
	switch l.Kind {
	case Age:
		trip.Text = fmt.Sprintf("no reading of %s for %v, the limit is %v (%s)", l.Quantity, reading, v.limit, v.origin)
	case RampTime:
		trip.Text = fmt.Sprintf("%s has been on its way up for %v, the limit is %v (%s)", role, reading, v.limit, v.origin)
	case RampEnergy:
		trip.Text = fmt.Sprintf("%s has given %v on its way up, the limit is %v (%s)", role, reading, v.limit, v.origin)
	case RunTime:
		trip.Text = fmt.Sprintf("the run has lasted %v, without its waits for people, the limit is %v (%s)", reading, v.limit, v.origin)
	case Power:
		trip.Text = fmt.Sprintf("%s gives %v, the limit is %v, %s", role, reading, v.limit, counted)
	case Apart:
		trip.Text = fmt.Sprintf("%s reads %v, %v apart from what its supply reads; the limit is %v, %s", r.Name, r.Value, reading, v.limit, counted)
	case Collapse:
		trip.Text = fmt.Sprintf("%s has fallen to %v, it must not fall below %v while it is set higher, %s", r.Name, reading, v.limit, counted)
	default:
		trip.Text = fmt.Sprintf("%s is %v, the limit is %v, %s, %s", r.Name, reading, v.limit, l.Kind, counted)
	}
	return trip
}

// linkTrip says that the connection to an instrument is gone.
func linkTrip(role string, err error) event.Trip {
	limit := event.Limit{Quantity: role, Kind: string(link), N: 1, M: 1, Origin: "every run needs its instruments"}
	return event.Trip{
		Cause: event.LinkLost, Limit: &limit,
		Text: fmt.Sprintf("the connection to %s is lost: %v, 1 of 1 (%s)", role, err, limit.Origin),
		Do:   fmt.Sprintf("look at power and cable of %s before you reset", role),
	}
}
