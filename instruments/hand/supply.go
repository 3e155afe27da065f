package hand

import (
	"context"
	"fmt"
	"math"

	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/supply"
)

// Supply is one that a person turns and switches, such as a variable transformer with a rectifier.
type Supply struct {
	name   string
	asker  Asker
	limits supply.Limits

	set   quantity.Volts // what the person last read off
	asked quantity.Volts // what they were asked for then
	since bool           // that was after the output was last switched
}

// NewSupply returns a hand-operated supply. Nobody is asked anything yet. One caller uses it at a time.
func NewSupply(name string, asker Asker, limits supply.Limits) *Supply {
	return &Supply{name: name, asker: asker, limits: limits}
}

// Name is the supply's role.
func (s *Supply) Name() string { return s.name }

// SetVoltage asks the person to set a voltage and to read it off. A reading that is not near what was asked for is doubted. What a
// script asked for last is not asked for again; make-safe always asks.
func (s *Supply) SetVoltage(ctx context.Context, p link.Priority, v quantity.Volts) error {
	if p == link.Script && s.since && v == s.asked {
		return nil
	}
	if !(v >= s.limits.Min && v <= s.limits.Max) {
		return fmt.Errorf("%s, by hand: set %v: outside %v to %v: %w", s.name, v, s.limits.Min, s.limits.Max, ErrPastLimit)
	}
	slack := quantity.Volts(max(0.05*math.Abs(float64(v)), 1))
	read, err := value(ctx, s.asker, Question{Role: s.name, Act: fmt.Sprintf("set_voltage|%g", float64(v)), Text: fmt.Sprintf("Set the %s supply to %v and read the voltage at its terminals.", s.name, v)},
		Between{(v - slack).Value(), (v + slack).Value()})
	if err != nil {
		return err
	}
	s.set, s.asked, s.since = quantity.Volts(read.Number), v, true
	return nil
}

// SetCurrent asks the person to set the current limit.
func (s *Supply) SetCurrent(ctx context.Context, _ link.Priority, a quantity.Amperes) error {
	if !(a >= 0 && a <= s.limits.MaxCurrent) {
		return fmt.Errorf("%s, by hand: set current limit %v: outside 0 A to %v: %w", s.name, a, s.limits.MaxCurrent, ErrPastLimit)
	}
	_, err := value(ctx, s.asker, Question{Role: s.name, Act: fmt.Sprintf("set_current|%g", float64(a)), Text: fmt.Sprintf("Set the current limit of the %s supply to %v and type in what you set.", s.name, a)},
		Between{(0 * a).Value(), (a * 1.001).Value()})
	return err
}

// Output asks the person to switch the output.
func (s *Supply) Output(ctx context.Context, _ link.Priority, on bool) error {
	word := "off"
	if on {
		word = "on"
	}
	s.since = false
	_, err := s.asker.Ask(ctx, Question{Role: s.name, Act: word, Text: fmt.Sprintf("Switch the %s supply %s and confirm.", s.name, word)})
	if err != nil {
		return fmt.Errorf("%s, by hand: switch %s: %w", s.name, word, err)
	}
	return nil
}

// Setpoint is the voltage that the person last read off after setting it.
func (s *Supply) Setpoint(context.Context, link.Priority) (quantity.Volts, error) { return s.set, nil }

// Measure asks the person for voltage and current; how the output regulates stays unknown. Only what is beyond twice the limits
// is doubted: what is too high has to be heard.
func (s *Supply) Measure(ctx context.Context, _ link.Priority) (supply.Reading, error) {
	v, err := value(ctx, s.asker, Question{Role: s.name, Act: "read_voltage", Text: fmt.Sprintf("Read the voltage of the %s supply.", s.name)},
		Between{(2 * min(s.limits.Min, -s.limits.Max)).Value(), (2 * s.limits.Max).Value()})
	if err != nil {
		return supply.Reading{}, err
	}
	a, err := value(ctx, s.asker, Question{Role: s.name, Act: "read_current", Text: fmt.Sprintf("Read the current of the %s supply.", s.name)},
		Between{quantity.Amperes(0).Value(), (2 * s.limits.MaxCurrent).Value()})
	if err != nil {
		return supply.Reading{}, err
	}
	return supply.Reading{Voltage: quantity.Volts(v.Number), Current: quantity.Amperes(a.Number), Mode: supply.Unknown}, nil
}

// Off is ErrByHand: nothing switches a hand-operated supply off but a hand.
func (s *Supply) Off() error { return fmt.Errorf("%s: switch off: %w", s.name, ErrByHand) }
