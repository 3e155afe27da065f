package drive

import (
	"fmt"
	"slices"
	"strings"

	"benchwarden/instruments/datafile"
)

// Words of a family file.
const (
	HighSide     = "high"
	LowSide      = "low"
	BrakeChopper = "brake_chopper"
	ChargeSwitch = "charge_switch"

	Complementary = "complementary"
	HighChopped   = "high_side"
	Antiphase     = "locked_antiphase"
	UnknownWord   = "unknown"

	Hall120  = "hall_120"
	Hall60   = "hall_60"
	NoSensor = "none"

	Separate = "separate"
	FromBus  = "from_bus"

	SweepBusNone    = "none"
	SweepBusMinimum = "minimum"
)

// Checks are the names that a check of a stage may have; a family's needs are among them.
func Checks() []string {
	return []string{
		"drain to source", "device diode", "gate to source", "gate to drain", "gate resistor", "driver output", "rectifier diode",
		"bus resistance", "midpoint", "bus fuse", "soft charge", "rail to return", "insulation",
		"rail voltage", "rail ripple", "twitch", "gate pattern", "gate level on", "gate level off", "pulse timing",
		"rise time", "fall time", "dead time", "missing pulses", "zero reference", "inhibit", "permissive",
		"invalid Hall code", "fault lamp", "quiescent current", "capacitance", "charge relay", "bus steady", "discharge", "bus down",
		"under-voltage lock-out", "sense line", "fault lamp lights", "reference gain", "series resistance",
		"tap test", "steady between taps",
		"response time", "fault latches", "reset", "start threshold", "over-voltage lock-out",
		"stand-ins out", "leak between phases", "limiter", "limiter lamp", "motor disconnected", "phases at rest", "quiescent current fitted", "each leg behind the limiter",
		"phase order", "phase voltage", "high side conducts", "low side conducts", "unbalance", "bus ripple",
		"sensor offset", "sensor gain", "current limit", "current gain",
		"bus current drift", "bus voltage drift", "control current drift", "control voltage drift", "temperature drift", "temperature rise",
		"reference polarity", "reference offset", "reference dead zone", "reference linearity", "reference hysteresis",
		"output polarity", "output gain", "output offset", "output dead zone", "output linearity", "output hysteresis", "output at rest",
	}
}

// notOneOf says that a word is not known, with the near miss.
func notOneOf(word string, known []string) string {
	text := fmt.Sprintf("%q is not known", word)
	if near := datafile.Nearest(word, known); near != "" {
		return text + fmt.Sprintf(", did you mean %q?", near)
	}
	return text + "; give one of: " + strings.Join(known, ", ")
}

func known(word string, words ...string) bool { return slices.Contains(words, word) }
