// Package supply drives programmable supplies, references and loads: what sets a voltage and limits a current.
package supply

import (
	"context"
	"errors"
	"fmt"
	"math"

	"benchwarden/instruments/dialect"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
)

// Session is all that the driver needs of a conversation.
type Session interface {
	Do(ctx context.Context, p link.Priority, command string, args dialect.Args) error
	Ask(ctx context.Context, p link.Priority, query string, args dialect.Args) (dialect.Answer, error)
	Urgent(calls ...dialect.Call) error
	Has(name string) bool
	Confirms() bool
	OverCurrent() string
}

// Limits are what the supply is never set beyond. The zero value allows nothing but zero.
type Limits struct {
	Min, Max   quantity.Volts
	MaxCurrent quantity.Amperes
}

// Errors that callers tell apart.
var (
	ErrPastLimit   = errors.New("past the limit, nothing was sent")
	ErrNotThere    = errors.New("this instrument has no such function")
	ErrNotAccepted = errors.New("the instrument did not take the setting")
)

// Mode is how the output regulates.
type Mode string

// The modes of an output.
const (
	Unknown     Mode = "unknown" // the instrument does not say
	Off         Mode = "off"
	CV          Mode = "CV" // constant voltage
	CC          Mode = "CC" // constant current
	Unregulated Mode = "unregulated"
)

// Reading is one look at the output.
type Reading struct {
	Voltage quantity.Volts
	Current quantity.Amperes
	On      bool
	Mode    Mode
	Tripped string // the instrument's protection that has acted: "over-voltage", "over-current"; else empty
}

// Supply is one supply, reference or load.
type Supply struct {
	name   string
	s      Session
	limits Limits
}

// New returns a supply that refuses to be set beyond the limits. It sends nothing.
func New(name string, s Session, limits Limits) *Supply {
	return &Supply{name: name, s: s, limits: limits}
}

// Name is the supply's role.
func (s *Supply) Name() string { return s.name }

// Limits are what the supply is never set beyond.
func (s *Supply) Limits() Limits { return s.limits }

// SetVoltage sets the output voltage; it does not switch the output on.
func (s *Supply) SetVoltage(ctx context.Context, p link.Priority, v quantity.Volts) error {
	if !(v >= s.limits.Min && v <= s.limits.Max) { // this way round, NaN is refused too
		return fmt.Errorf("%s: set %v: outside %v to %v: %w", s.name, v, s.limits.Min, s.limits.Max, ErrPastLimit)
	}
	if err := s.s.Do(ctx, p, "set_voltage", dialect.Args{"voltage": v}); err != nil {
		return err
	}
	return s.confirm(ctx, p, "voltage_setpoint", v.Value(), voltageSteps)
}

// SetCurrent sets the current limit.
func (s *Supply) SetCurrent(ctx context.Context, p link.Priority, a quantity.Amperes) error {
	if !s.s.Has("set_current") {
		return fmt.Errorf("%s: current limit: %w", s.name, ErrNotThere)
	}
	if !(a >= 0 && a <= s.limits.MaxCurrent) {
		return fmt.Errorf("%s: set current limit %v: outside 0 A to %v: %w", s.name, a, s.limits.MaxCurrent, ErrPastLimit)
	}
	if err := s.s.Do(ctx, p, "set_current", dialect.Args{"current": a}); err != nil {
		return err
	}
	return s.confirm(ctx, p, "current_setpoint", a.Value(), currentSteps)
}

// LimitsCurrent tells whether the supply has a current limit to be set.
func (s *Supply) LimitsCurrent() bool { return s.s.Has("set_current") }

// Output switches the output. Switching on leaves it at the voltage and current limit that were set.
func (s *Supply) Output(ctx context.Context, p link.Priority, on bool) error {
	if err := s.s.Do(ctx, p, "output", dialect.Args{"on": on}); err != nil || s.s.Confirms() {
		return err
	}
	is, err := s.On(ctx, p)
	if err == nil && is != on {
		err = fmt.Errorf("%s: output %s: it reads back %s: %w", s.name, onOff(on), onOff(is), ErrNotAccepted)
	}
	return err
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

// Off switches the output off at once, waiting for nobody. That it is off has to be read back.
func (s *Supply) Off() error {
	return s.s.Urgent(dialect.Call{Command: "output", Args: dialect.Args{"on": false}})
}

// On tells whether the instrument says that its output is on.
func (s *Supply) On(ctx context.Context, p link.Priority) (bool, error) {
	a, err := s.s.Ask(ctx, p, "mode", nil)
	if err != nil {
		return false, err
	}
	on, err := a.Key("on").Bool()
	return on, s.failed("output state", err)
}

// Setpoint is the voltage that is set.
func (s *Supply) Setpoint(ctx context.Context, p link.Priority) (quantity.Volts, error) {
	x, err := s.number(ctx, p, "voltage_setpoint")
	return quantity.Volts(x), err
}

// CurrentSetpoint is the current limit that is set.
func (s *Supply) CurrentSetpoint(ctx context.Context, p link.Priority) (quantity.Amperes, error) {
	x, err := s.number(ctx, p, "current_setpoint")
	return quantity.Amperes(x), err
}

// Measure reads voltage, current and mode, in one exchange where the instrument can. One of them missing is an error.
func (s *Supply) Measure(ctx context.Context, p link.Priority) (Reading, error) {
	var r Reading
	if s.s.Has("reading") {
		a, err := s.s.Ask(ctx, p, "reading", nil)
		if err != nil {
			return Reading{}, err
		}
		if err := errors.Join(s.failed("voltage", r.volts(a)), s.failed("current", r.amperes(a)), s.failed("mode", r.mode(a))); err != nil {
			return Reading{}, err
		}
		return r, nil
	}
	for _, q := range []struct {
		query string
		take  func(dialect.Answer) error
	}{{"voltage", r.volts}, {"current", r.amperes}, {"mode", r.mode}} {
		a, err := s.s.Ask(ctx, p, q.query, nil)
		if err != nil {
			return Reading{}, err
		}
		if err := q.take(a); err != nil {
			return Reading{}, s.failed(q.query, err)
		}
	}
	return r, nil
}

func (r *Reading) volts(a dialect.Answer) error {
	x, err := a.Key("voltage").Number()
	r.Voltage = quantity.Volts(x)
	return err
}

func (r *Reading) amperes(a dialect.Answer) error {
	x, err := a.Key("current").Number()
	r.Current = quantity.Amperes(x)
	return err
}

func (r *Reading) mode(a dialect.Answer) error {
	on, err := a.Key("on").Bool()
	if err != nil {
		return err
	}
	says := map[string]bool{}
	for _, state := range []string{dialect.ConstantCurrent, dialect.ConstantVoltage, dialect.OverVoltage, dialect.OverCurrent} {
		if says[state], err = a.Key("status").Is(state); err != nil {
			return err
		}
	}
	r.On = on
	switch {
	case !on:
		r.Mode = Off
	case says[dialect.ConstantCurrent] && says[dialect.ConstantVoltage]: // neither is regulated
		r.Mode = Unregulated
	case says[dialect.ConstantCurrent]:
		r.Mode = CC
	case says[dialect.ConstantVoltage]:
		r.Mode = CV
	default:
		r.Mode = Unknown
	}
	switch {
	case says[dialect.OverVoltage]:
		r.Tripped = "over-voltage"
	case says[dialect.OverCurrent]:
		r.Tripped = "over-current"
	}
	return nil
}

func (s *Supply) number(ctx context.Context, p link.Priority, query string) (float64, error) {
	if !s.s.Has(query) {
		return 0, fmt.Errorf("%s: %s: %w", s.name, query, ErrNotThere)
	}
	a, err := s.s.Ask(ctx, p, query, nil)
	if err != nil {
		return 0, err
	}
	x, err := a.Number()
	return x, s.failed(query, err)
}

func (s *Supply) failed(what string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s: %s: %w", s.name, what, err)
}

// Instruments set in steps of their own: as much as this may lie between what was asked for and what is read back, beside
// half a per cent.
const (
	voltageSteps = 0.11
	currentSteps = 0.011
	relative     = 0.005
)

// confirm reads a setting back from an instrument that does not tell whether it took a command.
func (s *Supply) confirm(ctx context.Context, p link.Priority, query string, want quantity.Value, steps float64) error {
	if s.s.Confirms() || !s.s.Has(query) {
		return nil
	}
	return s.compare(ctx, p, query, want, steps)
}

func (s *Supply) compare(ctx context.Context, p link.Priority, query string, want quantity.Value, steps float64) error {
	got, err := s.number(ctx, p, query)
	if err != nil {
		return err
	}
	if !near(got, want.Number, steps) {
		return fmt.Errorf("%s: %s: asked for %v, reads back %v: %w", s.name, query, want, quantity.Value{Number: got, Unit: want.Unit}, ErrNotAccepted)
	}
	return nil
}

func near(got, want, steps float64) bool {
	return math.Abs(got-want) <= relative*math.Abs(want)+steps
}
