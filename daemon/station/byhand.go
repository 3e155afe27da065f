package station

import (
	"context"
	"fmt"

	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
	"benchwarden/instruments/hand"
)

var errLeft = fmt.Errorf("%w: whoever was asked has left", hand.ErrNobody)

// byHand has the person at the bench operate what the bench file says is operated by hand.
type byHand struct{ station *Station }

// Ask puts the question on the hands desk. Before the station runs there is nobody, so that what is operated by hand is NOT SAFE until a
// person has confirmed it.
func (b byHand) Ask(ctx context.Context, q hand.Question) (string, error) {
	if !b.station.staffed.Load() {
		return "", fmt.Errorf("%w: the bench is being opened", hand.ErrNobody)
	}
	select {
	case <-b.station.left:
		return "", errLeft
	default:
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	go func() {
		select {
		case <-b.station.left:
			cancel(errLeft)
		case <-ctx.Done():
		}
	}()
	p := event.Prompt{Action: hands.Operate, Point: "hand|" + q.Role + "|" + q.Act, Text: q.Text, Unit: q.Unit, Offers: q.Offers, Live: b.station.live()}
	switch {
	case q.File:
		p.Action = hands.File
	case len(q.Offers) > 0:
		p.Action = hands.Confirm
	case q.Unit != "":
		p.Action = hands.Read
	}
	if q.Doubt != "" {
		p.Text = "(" + q.Doubt + ") " + p.Text
	}
	a, err := b.station.desk.Ask(ctx, p)
	if err != nil && ctx.Err() != nil {
		err = context.Cause(ctx)
	}
	return a.Text, err
}

// Compute holds the computing slot while f runs: reading a long trace file must not keep the wardens from a processor.
func (b byHand) Compute(ctx context.Context, f func()) error {
	if err := b.station.cfg.Slot.Take(ctx); err != nil {
		return err
	}
	defer b.station.cfg.Slot.Give()
	f()
	return nil
}

// Note keeps a sentence in the record of the run.
func (b byHand) Note(text string) { b.station.emit(event.Note{Text: text}) }

// Leave ends every wait for a person to operate something by hand: nobody is there any more. What was not confirmed stays NOT SAFE.
func (s *Station) Leave() { s.leave() }

// confirmByHand has a person confirm what is operated by hand, where that has not been done since the bench was opened. It
// belongs to the run, so that whoever watches the run sees what is asked.
func (s *Station) confirmByHand() {
	if s.cfg.File.HandOperated() && s.bench.Usable() != nil {
		s.bench.MakeSafe(context.Background(), "what is operated by hand has to be confirmed off before a run")
	}
}
