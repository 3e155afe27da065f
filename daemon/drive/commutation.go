package drive

import "slices"

// Direction is the way the reference asks the motor to turn.
type Direction string

// The directions, in the order a sweep takes them.
const (
	Forward Direction = "forward"
	Reverse Direction = "reverse"
)

// Directions are both directions, in the order a sweep takes them.
func Directions() []Direction { return []Direction{Forward, Reverse} }

// step is one sixth of an electrical turn: the Hall codes that announce it and, for forward, the leg whose high switch
// conducts and the leg whose low switch does, as places in Bridge.Legs. Reverse exchanges the two.
//
// Codes have Hall 1 as bit 2, Hall 2 as bit 1 and Hall 3 as bit 0.
// Source: data sheet "10 A, 500 V, 3-phase IGBT brushless motor controller", Rev. B 10/00, "Commutation truth table",
// both spacings and both directions; the order of 60-degree codes agrees with the 60-degree table there.
type step struct {
	code120, code60 int
	high, low       int
}

var sixSteps = [6]step{
	{0b100, 0b100, 0, 2},
	{0b110, 0b110, 1, 2},
	{0b010, 0b111, 1, 0},
	{0b011, 0b011, 2, 0},
	{0b001, 0b001, 2, 1},
	{0b101, 0b000, 0, 1},
}

// Walk lists the valid Hall codes so that one line changes from each to the next and from the last to the first, in the order in
// which a motor turning that way shows them. A drive that needs no Hall signals has one state, written 0, that nobody
// sets.
func (f *Family) Walk(d Direction) []int {
	if !f.UsesHall() {
		return []int{0}
	}
	codes := make([]int, len(sixSteps))
	for i, s := range sixSteps {
		codes[i] = s.code(f.Commutation.Kind)
	}
	if d == Reverse {
		slices.Reverse(codes)
	}
	return codes
}

// Invalid lists the Hall codes that no motor of this spacing can show. An open Hall set reads 111: invalid at 120 degrees,
// valid at 60.
func (f *Family) Invalid() []int {
	switch f.Commutation.Kind {
	case Hall120:
		return []int{0b000, 0b111}
	case Hall60:
		return []int{0b010, 0b101}
	}
	return nil
}

// BeforeInvalid is a valid code that differs from the invalid one in a single line, so that it is reached by one changed
// line; ok is false for a code that is not invalid for this family.
func (f *Family) BeforeInvalid(invalid int) (code int, ok bool) {
	if !slices.Contains(f.Invalid(), invalid) {
		return 0, false
	}
	for _, code := range f.Walk(Forward) {
		if changed := code ^ invalid; changed&(changed-1) == 0 {
			return code, true
		}
	}
	return 0, false
}

// UsesHall says whether the drive commutates by Hall signals.
func (f *Family) UsesHall() bool {
	return f.Commutation.Kind == Hall120 || f.Commutation.Kind == Hall60
}

// Spacing is the angle between the Hall sensors in electrical degrees, 120 or 60; 0 without Halls.
func (f *Family) Spacing() int {
	switch f.Commutation.Kind {
	case Hall120:
		return 120
	case Hall60:
		return 60
	}
	return 0
}

func (s step) code(kind string) int {
	if kind == Hall60 {
		return s.code60
	}
	return s.code120
}

// conducting gives the legs whose high and low switch carry the current at a code; ok is false for an invalid code.
func (f *Family) conducting(code int, d Direction) (high, low string, ok bool) {
	for _, s := range sixSteps {
		if s.code(f.Commutation.Kind) != code {
			continue
		}
		high, low = f.Bridge.Legs[s.high], f.Bridge.Legs[s.low]
		if d == Reverse {
			high, low = low, high
		}
		return high, low, true
	}
	return "", "", false
}
