package bench

import (
	"context"
	"errors"
	"fmt"
	"time"

	"benchwarden/instruments/quantity"
)

// stepsDown is how many steps a normal end takes from the bus voltage to zero: five readings at least lie on the way.
const stepsDown = 6

// BringDown is the normal end of the bus: stepped down so that the meter at the drive is seen to follow, switched off, and
// watched until it is measured down or within has passed. The state it returns says which.
func (b *Bench) BringDown(ctx context.Context, within time.Duration) (DownState, error) {
	in := b.instruments[Bus]
	if in == nil {
		return b.Down(), fmt.Errorf("%s: %w", Bus, ErrNoRole)
	}
	if on, from, _ := in.energised(); on {
		for step := stepsDown - 1; step > 0; step-- {
			to := from * quantity.Volts(step) / stepsDown
			if err := b.SetVoltage(ctx, Bus, to); err != nil {
				break // it is switched off all the same
			}
			b.followed(ctx, to, within/stepsDown)
		}
		if err := b.SwitchOff(ctx, Bus); err != nil {
			return b.Down(), err
		}
	}
	return b.AwaitDown(ctx, within)
}

// followed waits until the meter at the drive is near a lower voltage, or within has passed.
func (b *Bench) followed(ctx context.Context, to quantity.Volts, within time.Duration) {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	for {
		s, err := b.Next(ctx, BusMeter+".voltage")
		if errors.Is(err, ErrNotPolled) || ctx.Err() != nil || err == nil && quantity.Volts(s.Value.Number) <= to+max(to/20, 2) {
			return
		}
	}
}

// AwaitDown waits until the bus is proven down, or within has passed; the state says which.
func (b *Bench) AwaitDown(ctx context.Context, within time.Duration) (DownState, error) {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	for {
		b.mu.Lock()
		s, news, polling := b.down.state(time.Now()), b.news, b.polling
		b.mu.Unlock()
		if s.Down() || !polling {
			return s, nil
		}
		select {
		case <-ctx.Done():
			return s, nil
		case <-news:
		}
	}
}
