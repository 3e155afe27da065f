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
	// SetValue is passed by a voltage above what was set by more than the value; a step down has time to take effect.
	SetValue Kind = "above the set value"
	// ConstantCurrent is passed by a supply in constant current after a step has had its time.
	ConstantCurrent Kind = "constant current"
	// Age is passed by a reading whose question was sent longer ago than the value.
	Age Kind = "age"
	// RunTime is passed by a run that lasts longer than the value.
	RunTime Kind = "run time"
)

// Limit is one trip limit: it trips when N of the last M readings pass it.
type Limit struct {
	Quantity string // "bus.voltage"
	Kind     Kind
	Value    quantity.Value
	N, M     int
	Origin   string // "family heron, stage board"
}

// Persistence by kind (common practice, no source): over-voltage at once, over-current 2 of 3, constant current 3 of 4.
func persistence(k Kind) (n, m int) {
	switch k {
	case Settled:
		return 2, 3
	case ConstantCurrent:
		return 3, 4
	}
	return 1, 1
}

// NewLimit returns a limit with the persistence that its kind has by default.
func NewLimit(name string, kind Kind, value quantity.Value, origin string) Limit {
	n, m := persistence(kind)
	return Limit{Quantity: name, Kind: kind, Value: value, N: n, M: m, Origin: origin}
}

func (l Limit) check() error {
	switch {
	case l.N < 1 || l.M < l.N:
		return fmt.Errorf("trip limit %s %s: %d of %d is no persistence", l.Quantity, l.Kind, l.N, l.M)
	case !(l.Value.Number >= 0): // this way round NaN is refused too
		return fmt.Errorf("trip limit %s %s: %v cannot be a limit", l.Quantity, l.Kind, l.Value)
	case l.Origin == "":
		return fmt.Errorf("trip limit %s %s: it does not say where it comes from", l.Quantity, l.Kind)
	}
	return nil
}

func (l Limit) event() event.Limit {
	return event.Limit{Quantity: l.Quantity, Kind: string(l.Kind), Value: l.Value, N: l.N, M: l.M, Origin: l.Origin}
}
