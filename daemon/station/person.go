package station

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
	"benchwarden/instruments/dialect"
	"benchwarden/instruments/link"
	"benchwarden/instruments/scpi"
)

// simulatePerson lets the simulated bench's own person answer; the bench has checked that every instrument is simulated.
func (s *Station) simulatePerson(ctx context.Context) error {
	session, err := s.bench.Person()
	if err != nil {
		return err
	}
	events := s.cfg.Hub.Subscribe(event.Lossless)
	defer events.Close()
	return s.desk.Simulate(ctx, events, player{session})
}

// player has the simulated person do what a prompt asks.
type player struct{ session *dialect.Session }

func (p player) Play(ctx context.Context, prompt event.Prompt) (string, error) {
	do := func(command string, args dialect.Args) (string, error) {
		return "", p.session.Do(ctx, link.Script, command, args)
	}
	agree := func(query string) (string, error) {
		answer, err := p.session.Ask(ctx, link.Script, query, nil)
		if err != nil {
			return "", err
		}
		if yes, err := answer.Bool(); err != nil || !yes {
			return "", errors.Join(err, fmt.Errorf("the simulated person does not agree to %q", prompt.Text))
		}
		return "", nil
	}
	switch prompt.Action {
	case hands.Place:
		return do("place", dialect.Args{"probe": prompt.Probe, "point": prompt.Point})
	case hands.Fit:
		return do("fit", dialect.Args{"stand_in": prompt.Probe})
	case hands.Remove:
		return do("remove", dialect.Args{"stand_in": prompt.Probe})
	case hands.Join:
		return do("join", dialect.Args{"points": prompt.Point})
	case hands.Tap:
		if len(prompt.Offers) == 0 {
			return do("tap", dialect.Args{"place": prompt.Point})
		}
		answer, err := p.session.Ask(ctx, link.Script, "answer", dialect.Args{"what": "hand|scope|tap|" + prompt.Point + "|" + prompt.Probe})
		if err != nil {
			return "", err
		}
		return strings.Trim(answer.Text(), `"`), nil
	case hands.Clear:
		return agree("clear")
	case hands.Energise:
		return agree("act")
	case hands.Operate:
		_, err := p.session.Ask(ctx, link.Script, "read", dialect.Args{"what": prompt.Point})
		return "done", err
	case hands.Prove, hands.Read:
		answer, err := p.session.Ask(ctx, link.Script, "read", dialect.Args{"what": prompt.Point})
		if err != nil {
			return "", err
		}
		v, err := answer.Number()
		if errors.Is(err, scpi.ErrOverrange) {
			return "open", nil
		}
		return fmt.Sprintf("%.4g %s", v, prompt.Unit), err
	case hands.Confirm, hands.File:
		if prompt.Point == "" {
			return prompt.Offers[0], nil
		}
		answer, err := p.session.Ask(ctx, link.Script, "answer", dialect.Args{"what": prompt.Point})
		if err != nil {
			return "", err
		}
		return strings.Trim(answer.Text(), `"`), nil
	}
	return "", fmt.Errorf("the simulated person does not know how to %q", prompt.Action)
}

// warner switches beacon and sounder where the bench has them.
type warner struct{ station *Station }

func (w warner) Warn(ctx context.Context, how hands.Warning) error {
	on := map[string]bool{"beacon": how != hands.Quiet, "sounder": how == hands.Countdown}
	var errs []error
	for _, name := range []string{"beacon", "sounder"} {
		if c, ok := w.station.contactOf(name); ok && !c.Input {
			errs = append(errs, w.station.bench.SetContact(ctx, name, on[name]))
		}
	}
	return errors.Join(errs...)
}

func (s *Station) contactOf(name string) (bench.Contact, bool) {
	in := s.cfg.File.Instruments[bench.Contacts]
	if in == nil {
		return bench.Contact{}, false
	}
	c, ok := in.Contacts[name]
	return c, ok
}
