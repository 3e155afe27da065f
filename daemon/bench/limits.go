package bench

import (
	"fmt"
	"math"

	"benchwarden/instruments/quantity"
)

// Allowed says whether a setpoint would be taken: within the bench's ceilings and the stage's envelope (P4). It touches
// nothing. A current limit of 0 is "not set".
func (b *Bench) Allowed(role string, volts quantity.Volts, limit quantity.Amperes) error {
	if b.instruments[role] == nil {
		return fmt.Errorf("%s: %w", role, ErrNoRole)
	}
	b.mu.Lock()
	stage := b.stage
	b.mu.Unlock()
	if stage == nil {
		return fmt.Errorf("%s: no run has begun, so no limits are in force", role)
	}
	envelope, ok := stage.Supplies[role]
	if !ok {
		return fmt.Errorf("%s: stage %s does not use it", role, stage.Name)
	}
	in := b.file.Instruments[role]
	v, c := quantity.Volts(math.Abs(float64(volts))), b.file.Ceilings
	for _, most := range []struct {
		volts  quantity.Volts
		origin string
	}{
		{envelope.Voltage, "stage " + stage.Name},
		{c.Voltage, "the ceiling of bench " + b.file.Bench},
		{in.VoltageRange, "the range of " + role},
	} {
		if most.volts == 0 && most.origin[:5] != "stage" {
			continue
		}
		if !(v <= most.volts) { // this way round, NaN is refused too
			return fmt.Errorf("%s: %v is above %v, %s: %w", role, volts, most.volts, most.origin, ErrPastLimit)
		}
	}
	if volts < 0 && role != Reference {
		return fmt.Errorf("%s: %v is below zero: %w", role, volts, ErrPastLimit)
	}
	return b.allowedCurrent(role, v, limit, envelope, stage.Name)
}

func (b *Bench) allowedCurrent(role string, volts quantity.Volts, limit quantity.Amperes, envelope Envelope, stage string) error {
	if limit == 0 {
		return nil
	}
	c, in := b.file.Ceilings, b.file.Instruments[role]
	switch {
	case !(limit > 0):
		return fmt.Errorf("%s: a current limit of %v: %w", role, limit, ErrPastLimit)
	case envelope.Current > 0 && limit > envelope.Current:
		return fmt.Errorf("%s: a current limit of %v is above %v, stage %s: %w", role, limit, envelope.Current, stage, ErrPastLimit)
	case limit > c.Current:
		return fmt.Errorf("%s: a current limit of %v is above %v, the ceiling of bench %s: %w", role, limit, c.Current, b.file.Bench, ErrPastLimit)
	case in.CurrentRange > 0 && limit > in.CurrentRange:
		return fmt.Errorf("%s: a current limit of %v is above %v, the range of %s: %w", role, limit, in.CurrentRange, role, ErrPastLimit)
	case c.Power > 0 && quantity.Watts(float64(volts)*float64(limit)) > c.Power:
		return fmt.Errorf("%s: %v at a current limit of %v is more than %v, the ceiling of bench %s: %w", role, volts, limit, c.Power, b.file.Bench, ErrPastLimit)
	}
	return nil
}
