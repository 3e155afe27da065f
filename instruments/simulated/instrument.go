package simulated

import (
	"time"

	"benchwarden/instruments/scpi"
)

// conversation is one connection's dialogue with an instrument.
type conversation interface {
	// Execute carries out one message and returns the answer, nil if there is none; both without terminator.
	Execute(message []byte) []byte
	Close()
}

// instrument is what a port serves.
type instrument struct {
	role  string
	eol   string
	pace  pace
	harm  *harm
	split func(buf []byte) (message, rest []byte, ok bool)
	talk  func() conversation
	// refresh brings condition registers up to what the model does by itself; nil: nothing to do.
	refresh func()
	// overrun tells that a message was too long; nil: nobody is told.
	overrun func()
	// identity is the answer that a mixed-up instrument gives to any question.
	identity string
}

const version = "1.0"

// scpiInstrument is an instrument with a command tree.
type scpiInstrument struct {
	*scpi.Device
	instrument
	ops  operations
	dice *dice
}

// newSCPI makes an instrument that has only the commands that every instrument has.
func (b *Bench) newSCPI(role, kind string) *scpiInstrument {
	id := [4]string{"Quayside Simulated", kind + " SIMULATED", b.serial(role), version}
	s := &scpiInstrument{Device: scpi.NewDevice(id), dice: newDice(b.seed, role)}
	s.Device.Pending = s.ops.pending
	s.instrument = instrument{
		role: role, eol: "\n", pace: b.pace, harm: b.harmOf(role), split: scpi.SplitMessage,
		talk:     func() conversation { return s.Device.NewSession() },
		overrun:  func() { s.Report(scpi.NewError(-363, "")) },
		identity: id[0] + "," + id[1] + "," + id[2] + "," + id[3],
	}
	s.harm.overflow = func() {
		for s.Errors.Len() < queueDepth {
			s.Report(scpi.NewError(-310, "reported by a fault of the simulation"))
		}
	}
	s.Errors.SetDepth(queueDepth)
	return s
}

const queueDepth = 10

// query adds a command that only answers.
func (s *scpiInstrument) query(pattern string, ask func(*scpi.Call) (string, error)) {
	s.Handle(pattern, scpi.Command{Ask: ask})
}

// timed is query for a number that takes d to read; other connections go on meanwhile.
func (s *scpiInstrument) timed(pattern string, d time.Duration, read func() float64) {
	s.query(pattern, func(c *scpi.Call) (string, error) {
		c.Await(after(s.pace.of(d)))
		return scpi.FormatNumber(read()), nil
	})
}

// setting adds a number that can be set within a range and asked for.
func (s *scpiInstrument) setting(pattern string, r scpi.Range, get func() float64, set func(float64) error) {
	s.Handle(pattern, scpi.Command{
		Takes: 1,
		Do: func(c *scpi.Call) error {
			x, err := c.Ranged(0, r)
			if err != nil {
				return err
			}
			return set(x)
		},
		AskTakes: 1,
		Ask: func(c *scpi.Call) (string, error) {
			x, err := c.Bound(0, r, get())
			return scpi.FormatNumber(x), err
		},
	})
}

// choice adds one of some words that can be set and asked for.
func (s *scpiInstrument) choice(pattern string, words []string, get func() string, set func(string) error) {
	s.Handle(pattern, scpi.Command{
		Takes: 1,
		Do: func(c *scpi.Call) error {
			word, err := c.Keyword(0, words...)
			if err != nil {
				return err
			}
			return set(word)
		},
		Ask: func(*scpi.Call) (string, error) { return get(), nil },
	})
}

// toggle adds an ON or OFF that can be set and asked for.
func (s *scpiInstrument) toggle(pattern string, get func() bool, set func(bool) error) {
	s.Handle(pattern, scpi.Command{
		Takes: 1,
		Do: func(c *scpi.Call) error {
			on, err := c.Bool(0)
			if err != nil {
				return err
			}
			return set(on)
		},
		Ask: func(*scpi.Call) (string, error) { return scpi.FormatBool(get()), nil },
	})
}

// action adds a command without parameters.
func (s *scpiInstrument) action(pattern string, do func() error) {
	s.Handle(pattern, scpi.Command{Do: func(*scpi.Call) error { return do() }})
}
