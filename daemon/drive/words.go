package drive

import (
	"fmt"
	"slices"
	"strings"
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
		"rail voltage", "rail ripple", "twitch", "gate pattern", "gate level on", "gate level off", "pulse timing",
		"rise time", "fall time", "dead time", "missing pulses", "zero reference", "inhibit", "permissive",
		"invalid Hall code", "fault lamp", "quiescent current", "capacitance", "bus steady", "discharge", "bus down",
		"under-voltage lock-out", "sense line", "fault lamp lights", "reference gain", "series resistance",
	}
}

// notOneOf says that a word is not known, with the near miss.
func notOneOf(word string, known []string) string {
	text := fmt.Sprintf("%q is not known", word)
	if near := nearest(word, known); near != "" {
		return text + fmt.Sprintf(", did you mean %q?", near)
	}
	return text + "; give one of: " + strings.Join(known, ", ")
}

// nearest is the known word that a slip of the keyboard turns into word; empty when none is near.
func nearest(word string, known []string) string {
	best, distance := "", max(2, len(word)/3)+1
	for _, k := range known {
		if d := edits(strings.ToLower(word), strings.ToLower(k)); d < distance {
			best, distance = k, d
		}
	}
	return best
}

// edits counts inserted, left out and changed characters, and exchanged neighbours.
func edits(a, b string) int {
	var older, old []int
	now := make([]int, len(b)+1)
	for j := range now {
		now[j] = j
	}
	for i := 1; i <= len(a); i++ {
		older, old, now = old, now, make([]int, len(b)+1)
		now[0] = i
		for j := 1; j <= len(b); j++ {
			changed := old[j-1]
			if a[i-1] != b[j-1] {
				changed++
			}
			now[j] = min(changed, old[j]+1, now[j-1]+1)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				now[j] = min(now[j], older[j-2]+1)
			}
		}
	}
	return now[len(b)]
}

func known(word string, words ...string) bool { return slices.Contains(words, word) }
