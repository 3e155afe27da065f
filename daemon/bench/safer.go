package bench

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"benchwarden/daemon/event"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
)

// BusContactor is the contact between supply and drive. It opens once the bus is down, and at once when the supply does not
// confirm off.
const BusContactor = "bus_contactor"

// safer brings the outputs of one kind of instrument into their safe states.
type safer interface {
	urgent(*Device) error                            // at once, awaiting nothing
	repeat(context.Context, *Device) error           // again, awaiting the instrument's answer
	confirm(context.Context, *Device) []event.Output // read back
	unknown(err error) []event.Output                // nothing could be read back
}

// supplyOff switches a supply, a reference or a load off.
type supplyOff struct{ in *instrument }

func (s supplyOff) urgent(d *Device) error { return d.Supply.Off() }

func (s supplyOff) repeat(ctx context.Context, d *Device) error {
	return d.Supply.Output(ctx, link.MakeSafe, false)
}

// confirm wants off, and no current out of it: an instrument that says off and still delivers is not off.
func (s supplyOff) confirm(ctx context.Context, d *Device) []event.Output {
	on, err := d.Supply.On(ctx, link.MakeSafe)
	if err != nil {
		return s.unknown(err)
	}
	switch byHand := s.in.file.Dialect == HandDialect; {
	case on && byHand:
		return s.unknown(errors.New("nobody has confirmed that it is switched off"))
	case on:
		return s.unknown(errors.New("it says that its output is on"))
	}
	if s.in.file.Dialect != HandDialect { // who said off is the person who would have to read the current
		m, err := d.Supply.Measure(ctx, link.MakeSafe)
		if err != nil {
			return s.unknown(fmt.Errorf("it says off, but its output cannot be measured: %w", err))
		}
		if most := s.in.leakage(); m.Current > most {
			return s.unknown(fmt.Errorf("it says off but delivers %v", m.Current))
		}
	}
	s.in.note(func(in *instrument) { in.on, in.unknown = false, false })
	return []event.Output{{Name: s.in.role, Safe: "off", Confirmed: true}}
}

func (s supplyOff) unknown(err error) []event.Output {
	s.in.note(func(in *instrument) { in.unknown = true })
	return []event.Output{{Name: s.in.role, Safe: "off", Text: err.Error()}}
}

// leakage is the current that an output may show when it is off: the error of its own reading (practice: 1 % of its range or
// of the limit that was set, 5 mA at least).
func (in *instrument) leakage() quantity.Amperes {
	return max(0.01*in.file.CurrentRange, 0.01*in.limit, 0.005)
}

// supplyZero brings a reference to zero and keeps it there.
type supplyZero struct{ in *instrument }

// zero is how far from zero a reference may be read back (practice).
const zero quantity.Volts = 0.05

func (s supplyZero) urgent(d *Device) error { return d.Supply.Zero() }

func (s supplyZero) repeat(ctx context.Context, d *Device) error {
	return d.Supply.SetVoltage(ctx, link.MakeSafe, 0)
}

func (s supplyZero) confirm(ctx context.Context, d *Device) []event.Output {
	set, err := d.Supply.Setpoint(ctx, link.MakeSafe)
	if err != nil {
		return s.unknown(err)
	}
	m, err := d.Supply.Measure(ctx, link.MakeSafe)
	if err != nil {
		return s.unknown(err)
	}
	if out := max(set, -set, m.Voltage, -m.Voltage); out > zero {
		return s.unknown(fmt.Errorf("it is set to %v and gives %v", set, m.Voltage))
	}
	s.in.note(func(in *instrument) { in.unknown, in.setpoint = false, 0 })
	return []event.Output{{Name: s.in.role, Safe: "zero", Confirmed: true}}
}

func (s supplyZero) unknown(err error) []event.Output {
	s.in.note(func(in *instrument) { in.unknown = true })
	return []event.Output{{Name: s.in.role, Safe: "zero", Text: err.Error()}}
}

// hallOff opens all lines of the Hall source.
type hallOff struct{ in *instrument }

func (s hallOff) urgent(d *Device) error { return d.Hall.Off() }

func (s hallOff) repeat(ctx context.Context, d *Device) error {
	return d.Hall.Output(ctx, link.MakeSafe, false)
}

func (s hallOff) confirm(ctx context.Context, d *Device) []event.Output {
	on, err := d.Hall.On(ctx, link.MakeSafe)
	if err != nil {
		return s.unknown(err)
	}
	if on {
		return s.unknown(fmt.Errorf("it says that its lines are driven"))
	}
	s.in.note(func(in *instrument) { in.on, in.unknown = false, false })
	return []event.Output{{Name: s.in.role, Safe: "off", Confirmed: true}}
}

func (s hallOff) unknown(err error) []event.Output {
	s.in.note(func(in *instrument) { in.unknown = true })
	return []event.Output{{Name: s.in.role, Safe: "off", Text: err.Error()}}
}

// left is an instrument that make-safe leaves as it is; it sends nothing and says how it stands.
type left struct {
	in   *instrument
	why  string
	read func(context.Context, *Device) (on bool, err error)
}

func (s left) urgent(*Device) error                  { return nil }
func (s left) repeat(context.Context, *Device) error { return nil }

func (s left) confirm(ctx context.Context, d *Device) []event.Output {
	on, err := s.read(ctx, d)
	text := "on, " + s.why
	switch {
	case err != nil:
		s.in.note(func(in *instrument) { in.unknown = true })
		text = fmt.Sprintf("not read: %v; %s", err, s.why)
	default:
		s.in.note(func(in *instrument) { in.on, in.unknown = on, false })
		if !on {
			text = "off"
		}
	}
	return []event.Output{{Name: s.in.role, Safe: "leave", Confirmed: err == nil, Text: text}}
}

func (s left) unknown(err error) []event.Output {
	return []event.Output{{Name: s.in.role, Safe: "leave", Text: err.Error()}}
}

// contactStates brings contacts into the state that each has to have: closed true, open false.
type contactStates struct {
	in   *instrument
	want map[string]bool
}

func (s contactStates) urgent(d *Device) error { return d.Contacts.Urgent(s.want) }

func (s contactStates) repeat(ctx context.Context, d *Device) error {
	for _, name := range slices.Sorted(maps.Keys(s.want)) {
		if err := d.Contacts.Set(ctx, link.MakeSafe, name, s.want[name]); err != nil {
			return err
		}
	}
	return nil
}

func (s contactStates) confirm(ctx context.Context, d *Device) []event.Output {
	var outputs []event.Output
	for _, name := range slices.Sorted(maps.Keys(s.want)) {
		o := event.Output{Name: Contacts + "." + name, Safe: contactWord(s.want[name])}
		closed, err := d.Contacts.Closed(ctx, link.MakeSafe, name)
		switch {
		case err != nil:
			o.Text = err.Error()
		case closed != s.want[name]:
			o.Text = "it says that the contact is " + contactWord(closed)
		default:
			o.Confirmed = true
		}
		outputs = append(outputs, o)
	}
	return outputs
}

func (s contactStates) unknown(err error) []event.Output {
	var outputs []event.Output
	for _, name := range slices.Sorted(maps.Keys(s.want)) {
		outputs = append(outputs, event.Output{Name: Contacts + "." + name, Safe: contactWord(s.want[name]), Text: err.Error()})
	}
	return outputs
}

func contactWord(closed bool) string {
	if closed {
		return "closed"
	}
	return "open"
}
