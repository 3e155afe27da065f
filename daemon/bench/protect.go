package bench

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"

	"benchwarden/daemon/event"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/supply"
)

// protect programs the supply's own protection a little past the trip limits and compares what it reads back (P3).
func (b *Bench) protect(ctx context.Context, in *instrument, o Output, e Envelope) error {
	if o.Role == Reference { // a signal of some milliamperes
		return nil
	}
	want := Protection(o, e)
	want.CurrentOn = in.device().OverCurrent == "level"
	got, err := in.device().Supply.Protect(ctx, link.Script, want)
	lacks := errors.Is(err, supply.ErrNotThere) && in.file.NoProtection != ""
	if err != nil && !lacks {
		return fmt.Errorf("%s: its own protection could not be set, so it stays off: %w", o.Role, err)
	}
	if !lacks && !same(float64(got.Voltage), float64(want.Voltage), 0.05) {
		return fmt.Errorf("%s: its over-voltage protection was set to %v but reads back %v, so it stays off", o.Role, want.Voltage, got.Voltage)
	}
	if want.CurrentOn && (!got.CurrentOn || !same(float64(got.Current), float64(want.Current), 0.005)) {
		return fmt.Errorf("%s: its over-current protection was set to %v but reads back %v (on: %t), so it stays off", o.Role, want.Current, got.Current, got.CurrentOn)
	}
	silence, err := b.arm(ctx, in)
	if err != nil {
		return err
	}
	b.tellProtection(in, got, silence)
	return nil
}

// Protection is what a supply's own is set to: it stands a little past the trip limit, so that the warden acts first and the instrument when the warden cannot:
// over-voltage the larger of 5 % and 1 V above, over-current the larger of 10 % and 20 mA above the highest current limit that
// the stage allows, since a run may raise its limit up to there (practice).
func Protection(o Output, e Envelope) supply.Protection {
	trip, limit := max(e.TripVoltage, e.Voltage, o.Voltage), max(e.Current, o.Current)
	return supply.Protection{
		Voltage: trip + max(trip/20, 1),
		Current: limit + max(limit/10, 0.02),
	}
}

// same tells whether a value read back is the one that was set: within 1 %, or least where that is more.
func same(got, want, least float64) bool {
	return math.Abs(got-want) <= math.Max(0.01*math.Abs(want), least)
}

// watchdog is a supply that can switch itself off when nobody talks to it. Every message feeds it, so the polls do.
type watchdog interface {
	HasWatchdog() bool
	Watchdog(context.Context, link.Priority, quantity.Seconds) error
}

// The silence after which a supply switches itself off: ten of its polls, and longer than the keeper needs (practice).
const (
	silentPolls   = 10
	silentAtLeast = quantity.Seconds(3)
)

func watchdogOf(in *instrument) (watchdog, bool) {
	w, ok := in.device().Supply.(watchdog)
	return w, ok && w.HasWatchdog()
}

// arm sets the supply's communication watchdog and reads it back (P3); 0 is none. A supply whose safe state is to be left gets
// none: the drive's gate drivers need their rails while its bus is charged.
func (b *Bench) arm(ctx context.Context, in *instrument) (quantity.Seconds, error) {
	w, ok := watchdogOf(in)
	if !ok || in.file.Safe != "off" || in.role == Control {
		return 0, nil
	}
	silence := max(silentPolls*b.file.PeriodOf(in.role), silentAtLeast)
	if err := w.Watchdog(ctx, link.Script, silence); err != nil {
		return 0, fmt.Errorf("%s: its communication watchdog could not be set, so it stays off: %w", in.role, err)
	}
	return silence, nil
}

// disarm ends the watchdog of a supply that is off. One that stays armed harms nothing, so that is only told.
func (b *Bench) disarm(ctx context.Context, in *instrument) {
	w, ok := watchdogOf(in)
	if !ok {
		return
	}
	if err := w.Watchdog(ctx, link.Script, 0); err != nil {
		b.emit(event.Note{Text: fmt.Sprintf("%s is off, but its communication watchdog stays armed: %v", in.role, err)})
	}
}

// tellProtection says once a run, for its record, what protects the drive when nobody watches, and what does not.
func (b *Bench) tellProtection(in *instrument, p supply.Protection, silence quantity.Seconds) {
	b.mu.Lock()
	told := b.told[in.role]
	b.told[in.role] = true
	b.mu.Unlock()
	if told {
		return
	}
	var parts []string
	if p.Voltage > 0 {
		parts = append(parts, fmt.Sprintf("over-voltage at %v", p.Voltage))
	}
	switch kind := in.device().OverCurrent; {
	case p.CurrentOn:
		parts = append(parts, fmt.Sprintf("over-current at %v", p.Current))
	case kind == "on_cc":
		parts = append(parts, "no over-current: it would drop the output in constant current, through which a ramp has to pass")
	default:
		parts = append(parts, "no over-current")
	}
	if silence > 0 {
		parts = append(parts, fmt.Sprintf("off by itself after %v without a message", silence))
	} else {
		parts = append(parts, "no communication watchdog")
	}
	text := fmt.Sprintf("%s: its own protection, set and read back: %s", in.role, strings.Join(parts, ", "))
	if in.file.NoProtection != "" {
		text += "; the bench file says: " + in.file.NoProtection
	}
	if in.role == Bus {
		text += ". Nothing of this limits the discharge of the bus capacitors into the bridge: only a lamp, resistor or fuse between them does"
	}
	b.emit(event.Note{Text: text})
}
