package bench

import (
	"context"
	"fmt"
	"math"
	"time"

	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
)

const (
	// besideSetpoint is what a settled source may read off its setpoint beyond its own accuracy (common practice, no source).
	besideSetpoint quantity.Volts = 0.020
	// betweenLooks is the pause between two looks at a source that has not settled.
	betweenLooks = 5 * time.Millisecond
	// leastToSettle is allowed a source whose dialect says that everything takes effect sooner.
	leastToSettle = 500 * time.Millisecond
)

// settled returns once the reference reads what it was set to: an instrument may take a command before its output has moved, and
// what is then measured of the drive belongs to the reference before. A person says that it is set. A source that does not get there
// in the time that its commands take at most is an error.
func (b *Bench) settled(ctx context.Context, in *instrument, to quantity.Volts) error {
	if in.file.Dialect == HandDialect {
		return nil
	}
	off := b.file.uncertainty(in.role)(to) + besideSetpoint
	within := max(in.device().TakesEffectWithin, leastToSettle)
	for until := time.Now().Add(within); ; {
		last := !time.Now().Before(until)
		r, err := in.device().Supply.Measure(ctx, link.Script)
		if err != nil {
			return explain(ctx, err)
		}
		if math.Abs(float64(r.Voltage-to)) <= float64(off) {
			return nil
		}
		if last {
			return fmt.Errorf("%s: set to %v, but it gives %v after %v: look for what loads it, such as the drive's reference input or an earthed lead, and whether it is in its current limit",
				in.role, to, r.Voltage, quantity.SecondsOf(within))
		}
		select {
		case <-time.After(betweenLooks):
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}
