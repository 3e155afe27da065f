package hands

import (
	"context"
	"errors"
	"fmt"

	"benchwarden/daemon/event"
)

// Player does at a simulated bench what a prompt asks: moves a probe there, fits a stand-in, presses the key.
type Player interface {
	Play(ctx context.Context, p event.Prompt) (answer string, err error)
}

// SimulatedPerson is the name that a simulated person's answers carry in the record.
const SimulatedPerson = "simulated person"

// Simulate answers the desk's prompts through player until ctx ends. What the player cannot do is refused, so that whoever
// asked learns why. It may run only where every instrument of the bench has identified itself as simulated; who starts it has
// checked that.
func (d *Desk) Simulate(ctx context.Context, events *event.Subscription, player Player) error {
	for {
		e, err := events.Next(ctx)
		if err != nil {
			if ctx.Err() != nil || errors.Is(err, event.ErrEnded) {
				return nil
			}
			return err
		}
		p, ok := e.Body.(event.Prompt)
		if !ok || e.Bench != d.cfg.Bench {
			continue
		}
		text, err := player.Play(ctx, p)
		if err == nil {
			err = d.Answer(p.ID, Answer{By: SimulatedPerson, Text: text, AtBench: true})
		}
		if err != nil && !errors.Is(err, ErrNoPrompt) { // a prompt that was withdrawn meanwhile is nobody's fault
			err = d.Refuse(p.ID, fmt.Sprintf("the %s says: %v", SimulatedPerson, err))
		}
		if err != nil && !errors.Is(err, ErrNoPrompt) {
			return err
		}
	}
}
