package station

import (
	"time"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
	"benchwarden/daemon/warden"
	"benchwarden/instruments/quantity"
)

// guard lets the bench see the warden and the keeper.
type guard struct {
	*warden.Warden
	keeper Keeper
}

// Ready says whether something may be energised: not without a warden that watches, nor without the keeper that makes the bench
// safe when this process cannot.
func (g guard) Ready() error {
	if err := g.Warden.Ready(); err != nil || g.keeper == nil {
		return err
	}
	return g.keeper.Alive()
}

func (g guard) Feed(s bench.Sample) {
	r := event.Reading{Name: s.Name, Value: s.Value, Text: s.Text, Asked: s.Asked, Arrived: s.Arrived, Instrument: s.Instrument}
	if s.Err != nil {
		r.Error = s.Err.Error()
	}
	g.Warden.Feed(r)
}

func (g guard) Setpoint(role string, from, to quantity.Volts, _ quantity.Amperes, settle time.Duration) {
	g.Warden.Setpoint(role, from, to, settle)
}

func (g guard) WillFall(role string, to quantity.Volts) { g.Warden.WillFall(role, to) }

// consent lets the bench ask the hands desk.
type consent struct{ *hands.Desk }

// Allow asks for an act at the bench for what can hurt; a reference signal only waits until hands are clear.
func (c consent) Allow(a bench.Announced) error {
	if a.Role == bench.Reference {
		return c.Desk.HandsClear()
	}
	return c.Desk.Allow(a.Role, a.Voltage)
}
