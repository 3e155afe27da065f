package warden

import (
	"fmt"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// Kind says how a limit is passed.
type Kind string

const (
	// High is passed by a reading above the value.
	High Kind = "high"
	// Settled is High for currents: it holds once a step of the supply has had its time.
	Settled Kind = "settled high"
	// SetValue is passed by a voltage above what was set by more than the value, or 5 % where that is more; a step down has
	// time to take effect.
	SetValue Kind = "above the set value"
	// ConstantCurrent is passed by a supply whose mode reads CC after a step has had its time.
	ConstantCurrent Kind = "constant current"
	// Collapse is passed by a voltage below the value that had reached it, while the set value is not below it.
	Collapse Kind = "collapse"
	// Power is passed by a current that makes, with its supply's latest voltage, more than the value in watts.
	Power Kind = "power"
	// Apart is passed by a bus meter that differs from its supply's latest voltage by more than the value, or 5 % of what is
	// set where that is more, once the step has settled: a lead that fell off.
	Apart Kind = "apart"
	// RampTime is passed by a voltage that is on its way up for longer than the value: from the first rise until it has stood at its
	// set value for a while.
	RampTime Kind = "ramp time"
	// RampEnergy is passed by a supply that has given more joules than the value on the way up.
	RampEnergy Kind = "ramp energy"
	// Age is passed by a reading whose question was sent longer ago than the value.
	Age Kind = "age"
	// RunTime is passed by a run that lasts longer than the value, its waits for people left out (Wait).
	RunTime Kind = "run time"
	// Interlock is passed by a reading whose text is not "closed".
	Interlock Kind = "interlock"
	// Protection is passed by a reading with a text: the instrument's own protection has acted, and the text says which.
	Protection Kind = "protection"
	// link is the kind that the trip of a lost connection carries; it is in force on every armed bench.
	link Kind = "link"
)

// Limit is one trip limit: it trips when N of the last M readings pass it.
type Limit struct {
	Quantity string // "bus.voltage"
	Kind     Kind
	Value    quantity.Value
	N, M     int
	Origin   string // "family heron, stage board"
}

// persistence by kind (common practice, no source): over-current and a lead that fell off 2 of 3, constant current 3 of 4,
// temperature 3 of 5, all others at once.
func persistence(k Kind, unit quantity.Unit) (n, m int) {
	switch {
	case k == Settled || k == Apart:
		return 2, 3
	case k == ConstantCurrent:
		return 3, 4
	case k == High && unit == quantity.DegC:
		return 3, 5
	}
	return 1, 1
}

// NewLimit returns a limit with the persistence that its kind has by default.
func NewLimit(name string, kind Kind, value quantity.Value, origin string) Limit {
	n, m := persistence(kind, value.Unit)
	return Limit{Quantity: name, Kind: kind, Value: value, N: n, M: m, Origin: origin}
}

func (l Limit) check() error {
	fault := func(format string, args ...any) error {
		return fmt.Errorf("trip limit %s %s: %s", l.Quantity, l.Kind, fmt.Sprintf(format, args...))
	}
	switch l.Kind {
	case High, Settled, SetValue, ConstantCurrent, Collapse, Power, Apart, RampTime, RampEnergy, Age, RunTime, Interlock, Protection:
	default:
		return fault("no such kind of limit")
	}
	isTime := l.Kind == Age || l.Kind == RunTime || l.Kind == RampTime
	switch {
	case l.Quantity == "":
		return fault("it does not say what it limits")
	case l.N < 1 || l.M < l.N:
		return fault("%d of %d is no persistence", l.N, l.M)
	case !l.bounds(l.Value):
		return fault("%v cannot be a limit", l.Value)
	case l.Kind == RampEnergy && l.Value.Unit != quantity.Joule:
		return fault("%v is no energy", l.Value)
	case isTime && l.Value.Unit != quantity.Second:
		return fault("%v is no time", l.Value)
	case l.Origin == "":
		return fault("it does not say where it comes from")
	}
	return nil
}

// bounds says whether a value can be a limit: a NaN or an infinite one would never trip.
func (l Limit) bounds(v quantity.Value) bool { return v.Number >= 0 && v.Number <= largest }

// largest is far above every quantity of a bench and far below what overflows a duration in seconds.
const largest = 1e9

// onReadings says whether the limit is judged whenever a reading arrives; the others are judged by the warden's own time.
func (l Limit) onReadings() bool { return l.Kind != Age && l.Kind != RunTime && l.Kind != RampTime }

// needsAge says whether the limit is blind when its reading stops coming. A protection is told when it has acted; that its
// instrument is being asked shows in the other readings.
func (l Limit) needsAge() bool { return l.onReadings() && l.Kind != Protection }

func (l Limit) event() event.Limit {
	return event.Limit{Quantity: l.Quantity, Kind: string(l.Kind), Value: l.Value, N: l.N, M: l.M, Origin: l.Origin}
}
