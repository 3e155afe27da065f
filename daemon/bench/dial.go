package bench

import (
	"context"
	"errors"
	"fmt"

	"benchwarden/instruments/contacts"
	"benchwarden/instruments/dialect"
	"benchwarden/instruments/hall"
	"benchwarden/instruments/hand"
	"benchwarden/instruments/link"
	"benchwarden/instruments/matrix"
	"benchwarden/instruments/meter"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scope"
	"benchwarden/instruments/supply"
)

// Dial is the Connector over links and dialects: it opens the link that the file names and has the instrument identify itself.
// asker is the person who operates what the file says is operated by hand; options hold for every link.
func Dial(file *File, dialects []string, asker hand.Asker, options link.Options) Connector {
	return func(ctx context.Context, role string, in *Instrument, state func(link.State)) (*Device, error) {
		if in.Dialect == HandDialect {
			return byHand(file, role, asker)
		}
		d, err := dialect.LoadNamed(dialects, in.Dialect)
		if err != nil {
			return nil, err
		}
		if want := kinds[role].kind; d.Kind != want {
			return nil, fmt.Errorf("dialect %s speaks to a %s; the role %s needs a %s", in.Dialect, d.Kind, role, want)
		}
		o := options
		o.OnState = state
		s, err := dialect.Open(ctx, role, d, in.Link, o)
		if err != nil {
			return nil, err
		}
		return file.driver(role, in, s), nil
	}
}

// driver puts the role's driver over a session.
func (f *File) driver(role string, in *Instrument, s *dialect.Session) *Device {
	d := &Device{Identity: s.Identity(), TakesEffectWithin: s.Dialect().TakesEffectWithin.Duration(), OverCurrent: s.OverCurrent(),
		Session: s, Close: s.Close, Connections: []Connection{s.Link()}}
	if s.Spare() != nil {
		d.Connections = append(d.Connections, s.Spare())
	}
	switch s.Dialect().Kind {
	case "supply":
		d.Supply = sessionSupply{supply.New(role, s, f.supplyLimits(role)), s}
	case "meter":
		d.Meter = meter.New(role, s)
	case "hall":
		d.Hall = hall.New(role, s)
	case "scope":
		d.Scope = scope.New(role, s)
	case "matrix":
		d.Matrix = matrix.New(role, s, matrix.Wiring{High: in.Rows["high"], Low: in.Rows["low"], Columns: in.Columns})
	case "contacts":
		channels := map[string]contacts.Channel{}
		for name, c := range in.Contacts {
			channels[name] = contacts.Channel{Number: c.Channel, Input: c.Input, Normal: c.Normal == "closed"}
		}
		d.Contacts = contacts.New(role, s, channels)
	}
	return d
}

// supplyLimits are what no setpoint passes on this bench, whatever a stage allows. A reference has both signs.
func (f *File) supplyLimits(role string) supply.Limits {
	l := supply.Limits{Max: f.Ceilings.Voltage, MaxCurrent: f.Ceilings.Current}
	in := f.Instruments[role]
	if in.VoltageRange > 0 {
		l.Max = min(l.Max, in.VoltageRange)
	}
	if in.CurrentRange > 0 {
		l.MaxCurrent = min(l.MaxCurrent, in.CurrentRange)
	}
	if role == Reference {
		l.Min = -l.Max
	}
	return l
}

// sessionSupply adds the urgent zero of a reference.
type sessionSupply struct {
	*supply.Supply
	session *dialect.Session
}

// Zero sets zero volts at once, waiting for nobody. That it is zero has to be read back.
func (s sessionSupply) Zero() error {
	return s.session.Urgent(dialect.Call{Command: "set_voltage", Args: dialect.Args{"voltage": quantity.Volts(0)}})
}

// byHand is an instrument that a person sets and reads.
func byHand(file *File, role string, asker hand.Asker) (*Device, error) {
	if asker == nil {
		return nil, errors.New("it is operated by hand, and nobody is there to be asked")
	}
	d := &Device{Identity: dialect.Identity{Raw: "by hand"}, OverCurrent: dialect.None}
	switch kinds[role].kind {
	case "supply":
		d.Supply = &handSupply{Supply: hand.NewSupply(role, asker, file.supplyLimits(role)), on: true}
	case "meter":
		d.Meter = hand.NewMeter(role, asker, file.Ceilings.Voltage)
	case "hall":
		h := hand.NewHall(role, asker)
		d.Hall, d.Forget = h, h.Forget
	case "scope":
		in := file.Instruments[role]
		s := hand.NewScope(role, asker, in.Files, in.Channels)
		d.Scope, d.Forget = s, s.Forget
	case "contacts":
		inputs := map[string]bool{}
		for name, c := range file.Instruments[role].Contacts {
			inputs[name] = c.Input
		}
		c := hand.NewContacts(role, asker, inputs)
		d.Contacts, d.Forget = c, c.Forget
	default:
		return nil, fmt.Errorf("a %s cannot be operated by hand; supplies, meters, Hall switches, contacts and a scope can", kinds[role].kind)
	}
	return d, nil
}

// handSupply is on until the person has confirmed that it is off.
type handSupply struct {
	*hand.Supply
	on bool
}

func (s *handSupply) Output(ctx context.Context, p link.Priority, on bool) error {
	if on {
		s.on = true
	}
	if err := s.Supply.Output(ctx, p, on); err != nil {
		return err
	}
	s.on = on
	return nil
}

func (s *handSupply) On(context.Context, link.Priority) (bool, error) { return s.on, nil }

func (s *handSupply) Protect(_ context.Context, _ link.Priority, want supply.Protection) (supply.Protection, error) {
	return supply.Protection{}, fmt.Errorf("%s: %w", s.Name(), supply.ErrNotThere)
}

func (s *handSupply) ClearProtection(context.Context, link.Priority) error {
	return fmt.Errorf("%s: %w", s.Name(), supply.ErrNotThere)
}

// Zero is hand.ErrByHand, as Off is.
func (s *handSupply) Zero() error { return s.Off() }
