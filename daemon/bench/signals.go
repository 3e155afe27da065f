package bench

import (
	"context"
	"fmt"

	"benchwarden/daemon/event"
	"benchwarden/instruments/dialect"
	"benchwarden/instruments/hall"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
)

// HallLines is the Hall source as a run may use it: refused once the bench was made safe.
type HallLines struct{ b *Bench }

// Hall is the source that stands in for the motor's Hall sensors.
func (b *Bench) Hall() HallLines { return HallLines{b} }

func (h HallLines) do(ctx context.Context, f func(context.Context, HallSource) error) error {
	in, ctx, done, err := h.b.begin(ctx, Hall)
	if err != nil {
		return err
	}
	defer done()
	return explain(ctx, f(ctx, in.device().Hall))
}

// Output drives the lines, or opens them all.
func (h HallLines) Output(ctx context.Context, on bool) error {
	err := h.do(ctx, func(ctx context.Context, s HallSource) error {
		if on {
			in := h.b.instruments[Hall]
			in.note(func(in *instrument) { in.on, in.unknown = true, true })
			if err := h.b.writeState(nil); err != nil {
				return err
			}
		}
		if err := s.Output(ctx, link.Script, on); err != nil {
			return err
		}
		h.b.instruments[Hall].note(func(in *instrument) { in.on, in.unknown = on, false })
		return nil
	})
	if err == nil {
		h.b.emit(event.Switched{Output: Hall, On: on})
	}
	return err
}

// Code sets the three lines at once: bit 2 is Hall 1, bit 0 is Hall 3.
func (h HallLines) Code(ctx context.Context, code int) error {
	return h.do(ctx, func(ctx context.Context, s HallSource) error { return s.SetCode(ctx, code) })
}

// Line drives, opens or shorts one line, 1 to 3.
func (h HallLines) Line(ctx context.Context, line int, state hall.Line) error {
	return h.do(ctx, func(ctx context.Context, s HallSource) error { return s.SetLine(ctx, line, state) })
}

// Spacing is 60 or 120 electrical degrees.
func (h HallLines) Spacing(ctx context.Context, degrees int) error {
	return h.do(ctx, func(ctx context.Context, s HallSource) error { return s.Spacing(ctx, degrees) })
}

// Run steps the lines as a turning motor would.
func (h HallLines) Run(ctx context.Context, f quantity.Hertz, reverse bool) error {
	return h.do(ctx, func(ctx context.Context, s HallSource) error { return s.Run(ctx, f, reverse) })
}

// Hold stops the stepping where it is.
func (h HallLines) Hold(ctx context.Context) error {
	return h.do(ctx, func(ctx context.Context, s HallSource) error { return s.Hold(ctx) })
}

// Sense is what the lines really show.
func (h HallLines) Sense(ctx context.Context) (code int, err error) {
	err = h.do(ctx, func(ctx context.Context, s HallSource) error {
		code, err = s.Sense(ctx)
		return err
	})
	return code, err
}

// HasContact tells whether the bench has a contact or input of that name.
func (b *Bench) HasContact(name string) bool {
	_, err := b.contact(name)
	return err == nil
}

func (b *Bench) contact(name string) (Contact, error) {
	in := b.file.Instruments[Contacts]
	if in == nil {
		return Contact{}, fmt.Errorf("%s: %w", Contacts, ErrNoRole)
	}
	c, ok := in.Contacts[name]
	if !ok {
		return Contact{}, fmt.Errorf("contact %s: %w", name, ErrNoRole)
	}
	return c, nil
}

// SetContact closes or opens a contact and reads that back. The bus contactor needs a person's consent to close.
func (b *Bench) SetContact(ctx context.Context, name string, closed bool) error {
	c, err := b.contact(name)
	if err != nil {
		return err
	}
	if c.Input {
		return fmt.Errorf("contact %s is an input", name)
	}
	in, ctx, done, err := b.begin(ctx, Contacts)
	if err != nil {
		return err
	}
	defer done()
	if name == BusContactor && closed {
		if err := b.connectBus(); err != nil {
			return err
		}
	}
	if err := in.device().Contacts.Set(ctx, link.Script, name, closed); err != nil {
		return explain(ctx, err)
	}
	is, err := in.device().Contacts.Closed(ctx, link.Script, name)
	if err != nil {
		return explain(ctx, err)
	}
	if is != closed {
		return fmt.Errorf("contact %s was set %s but reads back %s", name, contactWord(closed), contactWord(is))
	}
	b.emit(event.Switched{Output: Contacts + "." + name, On: closed})
	return nil
}

// connectBus asks before the contactor connects the supply to the drive.
func (b *Bench) connectBus() error {
	bus := b.instruments[Bus]
	if bus == nil {
		return fmt.Errorf("contact %s: %w", BusContactor, ErrNoRole)
	}
	on, volts, limit := bus.energised()
	if !on {
		return nil
	}
	if err := b.permitted(Output{Bus, volts, limit}); err != nil {
		return err
	}
	b.fed(Bus)
	return b.writeState(nil)
}

// ContactClosed reads back a contact that is an output.
func (b *Bench) ContactClosed(ctx context.Context, name string) (bool, error) {
	if _, err := b.contact(name); err != nil {
		return false, err
	}
	in := b.instruments[Contacts]
	if err := in.reached(); err != nil {
		return false, err
	}
	return in.device().Contacts.Closed(ctx, link.Script, name)
}

// Input reads an input of the contacts role: true is closed.
func (b *Bench) Input(ctx context.Context, name string) (bool, error) {
	c, err := b.contact(name)
	if err != nil {
		return false, err
	}
	if !c.Input {
		return false, fmt.Errorf("contact %s is an output", name)
	}
	in := b.instruments[Contacts]
	if err := in.reached(); err != nil {
		return false, err
	}
	return in.device().Contacts.Input(ctx, link.Script, name)
}

// Scope is the bench's scope; it has no output to be made safe.
func (b *Bench) Scope() (Viewer, error) {
	d, err := b.device(Scope)
	if err != nil {
		return nil, err
	}
	return d.Scope, nil
}

// Meter is the bench's meter, not the one at the drive's bus.
func (b *Bench) Meter() (VoltMeter, error) {
	d, err := b.device(Meter)
	if err != nil {
		return nil, err
	}
	return d.Meter, nil
}

// Person is the simulated person of a simulated bench.
func (b *Bench) Person() (*dialect.Session, error) {
	d, err := b.device(Person)
	if err != nil {
		return nil, err
	}
	return d.Session, nil
}

func (b *Bench) device(role string) (*Device, error) {
	in := b.instruments[role]
	if in == nil {
		return nil, fmt.Errorf("%s: %w", role, ErrNoRole)
	}
	if err := in.reached(); err != nil {
		return nil, err
	}
	return in.device(), nil
}
