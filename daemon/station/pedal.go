package station

import (
	"context"
	"fmt"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/hands"
)

// watchPedal has the bench's key or pedal answer what only an act at the bench may answer. A bench without one ends it at once.
func (s *Station) watchPedal(ctx context.Context) error {
	act := s.cfg.File.Act
	contact, ok := s.contactOf(act.Contact)
	if act.Contact == "" || !ok {
		return nil
	}
	period := s.cfg.File.PeriodOf(bench.Contacts).Duration()
	p := hands.Pedal{Name: act.By, Period: period, Within: agePeriods * period, Pressed: func(ctx context.Context) (bool, error) {
		closed, err := s.bench.Input(ctx, act.Contact)
		return closed != (contact.Normal == "closed"), err
	}}
	if act.Pedal == bench.HoldToRun {
		p.Released = func(why error) {
			s.desk.Withdraw()
			s.stopRun(fmt.Errorf("%w the person at the bench: %w", errPerson, why))
			s.bench.MakeSafe(ctx, why.Error())
		}
	}
	return s.desk.Watch(ctx, p)
}
