package supply

import (
	"context"
	"fmt"

	"benchwarden/instruments/dialect"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
)

// Protection is the supply's own. It is not the current limit: it drops the output.
type Protection struct {
	Voltage   quantity.Volts // over-voltage protection
	Current   quantity.Amperes
	CurrentOn bool // over-current protection is active
}

// HasOverVoltage tells whether the supply has an over-voltage protection that can be set and read back.
func (s *Supply) HasOverVoltage() bool { return s.s.Has("set_over_voltage") && s.s.Has("over_voltage") }

// OverCurrent says what the over-current protection does: level, on_cc (drops the output on entering constant current) or
// none.
func (s *Supply) OverCurrent() string { return s.s.OverCurrent() }

// Protect programs the supply's own protections and reads them back. The levels read back are returned even if they are not
// what was asked for, with ErrNotAccepted. A protection that the supply does not have is ErrNotThere, after the
// others were programmed.
func (s *Supply) Protect(ctx context.Context, p link.Priority, want Protection) (readBack Protection, err error) {
	if !(want.Voltage >= 0) || !(want.Current >= 0) {
		return Protection{}, fmt.Errorf("%s: protection at %v and %v: %w", s.name, want.Voltage, want.Current, ErrPastLimit)
	}
	var lacks error // one that is missing leaves the other to be set
	if !s.HasOverVoltage() {
		lacks = fmt.Errorf("%s: over-voltage protection: %w", s.name, ErrNotThere)
	} else if readBack.Voltage, err = s.protectVoltage(ctx, p, want.Voltage); err != nil {
		return readBack, err
	}
	if s.OverCurrent() == dialect.None {
		if want.CurrentOn && lacks == nil {
			lacks = fmt.Errorf("%s: over-current protection: %w; the bench file has to say so in no_protection", s.name, ErrNotThere)
		}
		return readBack, lacks
	}
	if err := s.protectCurrent(ctx, p, want, &readBack); err != nil {
		return readBack, err
	}
	return readBack, lacks
}

func (s *Supply) protectVoltage(ctx context.Context, p link.Priority, v quantity.Volts) (quantity.Volts, error) {
	if err := s.s.Do(ctx, p, "set_over_voltage", dialect.Args{"over_voltage": v}); err != nil {
		return 0, err
	}
	if s.s.Has("over_voltage_on") {
		if err := s.switchProtection(ctx, p, "over_voltage_on", true); err != nil {
			return 0, err
		}
	}
	x, err := s.number(ctx, p, "over_voltage")
	got := quantity.Volts(x)
	if err == nil && !near(x, float64(v), voltageSteps) {
		err = fmt.Errorf("%s: over-voltage protection: asked for %v, reads back %v: %w", s.name, v, got, ErrNotAccepted)
	}
	return got, err
}

func (s *Supply) protectCurrent(ctx context.Context, p link.Priority, want Protection, readBack *Protection) error {
	if s.OverCurrent() == "level" && want.CurrentOn {
		if err := s.s.Do(ctx, p, "set_over_current", dialect.Args{"over_current": want.Current}); err != nil {
			return err
		}
		x, err := s.number(ctx, p, "over_current")
		if err != nil {
			return err
		}
		readBack.Current = quantity.Amperes(x)
		if !near(x, float64(want.Current), currentSteps) {
			return fmt.Errorf("%s: over-current protection: asked for %v, reads back %v: %w", s.name, want.Current, readBack.Current, ErrNotAccepted)
		}
	}
	if !s.s.Has("over_current_on") {
		readBack.CurrentOn = want.CurrentOn // it cannot be switched: it is always active
		return nil
	}
	if err := s.switchProtection(ctx, p, "over_current_on", want.CurrentOn); err != nil {
		return err
	}
	readBack.CurrentOn = want.CurrentOn
	return nil
}

// switchProtection switches a protection and reads that back where it can be asked.
func (s *Supply) switchProtection(ctx context.Context, p link.Priority, name string, on bool) error {
	if err := s.s.Do(ctx, p, name, dialect.Args{"on": on}); err != nil {
		return err
	}
	a, err := s.s.Ask(ctx, p, name, nil)
	if err != nil {
		return err
	}
	is, err := a.Bool()
	if err == nil && is != on {
		err = fmt.Errorf("asked for %s, reads back %s: %w", onOff(on), onOff(is), ErrNotAccepted)
	}
	return s.failed(name, err)
}

// ClearProtection ends the latched state of a protection that has acted; the output stays off.
func (s *Supply) ClearProtection(ctx context.Context, p link.Priority) error {
	if !s.s.Has("clear_protection") {
		return fmt.Errorf("%s: clear the protection: %w", s.name, ErrNotThere)
	}
	return s.s.Do(ctx, p, "clear_protection", nil)
}

// HasWatchdog tells whether the supply switches itself off when nobody talks to it.
func (s *Supply) HasWatchdog() bool { return s.s.Has("set_watchdog") && s.s.Has("watchdog") }

// Watchdog sets after how long a silence the supply switches its output off by itself, and reads that back.
func (s *Supply) Watchdog(ctx context.Context, p link.Priority, after quantity.Seconds) error {
	if !s.HasWatchdog() {
		return fmt.Errorf("%s: communication watchdog: %w", s.name, ErrNotThere)
	}
	if err := s.s.Do(ctx, p, "set_watchdog", dialect.Args{"watchdog": after}); err != nil {
		return err
	}
	return s.compare(ctx, p, "watchdog", after.Value(), 0.1)
}
