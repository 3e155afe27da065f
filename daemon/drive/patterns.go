package drive

import "benchwarden/instruments/quantity"

// Pattern is what a gate channel shows over many chopping periods, measured against its own source.
type Pattern string

// The patterns. Chop is on for the duty that the reference asks for and ChopInverse on for the rest of the period, less the
// dead time; Toggle alternates at half the period.
const (
	Off         Pattern = "off"
	On          Pattern = "on"
	Chop        Pattern = "chop"
	ChopInverse Pattern = "chop inverse"
	Toggle      Pattern = "toggle"
)

// Switches says whether a channel with this pattern has edges.
func (p Pattern) Switches() bool { return p == Chop || p == ChopInverse || p == Toggle }

// Situation is a state of the drive in which it is not asked to turn a motor.
type Situation string

// The situations that a family file has patterns for.
const (
	Idle        Situation = "zero reference"
	Inhibited   Situation = "inhibited"
	InvalidHall Situation = "invalid Hall code"
	StartUp     Situation = "start-up"
)

// Expected gives the pattern of each leg's gate channels at a Hall code and direction, with the reference at its sweep
// value. valid is false for a code that the drive has to refuse; the patterns are then those of InvalidHall. A family
// whose modulation is unknown has no expected patterns: the map is empty, and its channels can only be compared with each
// other.
func (f *Family) Expected(code int, d Direction) (patterns map[string]Pattern, valid bool) {
	if f.Modulation.Kind == Antiphase {
		return f.antiphase(d), true
	}
	high, low, ok := f.conducting(code, d)
	if !ok {
		return f.Quiet(InvalidHall), false
	}
	patterns = map[string]Pattern{}
	if f.Modulation.Kind == UnknownWord {
		return patterns, true
	}
	for _, c := range f.Bridge.Channels {
		switch {
		case c.Leg == high && c.Kind == HighSide:
			patterns[c.Name] = Chop
		case c.Leg == high && c.Kind == LowSide && f.Modulation.Kind == Complementary:
			patterns[c.Name] = ChopInverse
		case c.Leg == low && c.Kind == LowSide:
			patterns[c.Name] = On
		case c.Kind != ChargeSwitch:
			patterns[c.Name] = Off
		}
	}
	return patterns, true
}

// antiphase: diagonal channels are on together, and the direction says which diagonal has the longer part.
func (f *Family) antiphase(d Direction) map[string]Pattern {
	patterns := map[string]Pattern{}
	for _, c := range f.Bridge.Channels {
		first := c.Leg == f.Bridge.Legs[0]
		switch {
		case c.Kind != HighSide && c.Kind != LowSide:
			if c.Kind == BrakeChopper {
				patterns[c.Name] = Off
			}
		case (first == (c.Kind == HighSide)) == (d == Forward):
			patterns[c.Name] = Chop
		default:
			patterns[c.Name] = ChopInverse
		}
	}
	return patterns
}

// Quiet gives the pattern of each leg's gate channels while the drive is not asked to turn a motor.
func (f *Family) Quiet(s Situation) map[string]Pattern {
	word := map[Situation]string{
		Idle: f.Patterns.Idle, Inhibited: f.Patterns.Inhibited, InvalidHall: f.Patterns.Invalid, StartUp: f.Patterns.StartUp,
	}[s]
	patterns := map[string]Pattern{}
	for _, c := range f.Bridge.Channels {
		switch {
		case c.Kind == ChargeSwitch:
		case c.Leg == "":
			patterns[c.Name] = Off
		case word == "toggle":
			patterns[c.Name] = Toggle
		case word == "low_on" && c.Kind == LowSide:
			patterns[c.Name] = On
		default:
			patterns[c.Name] = Off
		}
	}
	return patterns
}

// DutyOf is the part of the period in which a channel of this pattern is on, dead time not yet taken off. known is false where
// the duty proves nothing: a saturated loop, or a family that does not state it.
func (f *Family) DutyOf(p Pattern) (duty quantity.Ratio, known bool) {
	switch p {
	case Off:
		return 0, true
	case On:
		return 1, true
	case Toggle:
		return 0.5, true
	}
	if f.Loop != "open" || f.Reference.Duty == 0 {
		return 0, false
	}
	if p == ChopInverse {
		return 1 - f.Reference.Duty, true
	}
	return f.Reference.Duty, true
}

// Channel finds a gate channel by name.
func (f *Family) Channel(name string) (Channel, bool) {
	for _, c := range f.Bridge.Channels {
		if c.Name == name {
			return c, true
		}
	}
	return Channel{}, false
}

// Leg gives the names of a leg's two gate channels, empty where the leg has none.
func (f *Family) Leg(leg string) (high, low string) {
	for _, c := range f.Bridge.Channels {
		switch {
		case c.Leg == leg && c.Kind == HighSide:
			high = c.Name
		case c.Leg == leg && c.Kind == LowSide:
			low = c.Name
		}
	}
	return high, low
}

// LimitsFor are the figures of a stage. A stage that the file does not have gets zeros: nothing may be energised in it.
func (f *Family) LimitsFor(s Stage) StageLimits { return f.Stages[s] }
