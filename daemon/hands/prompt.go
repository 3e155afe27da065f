package hands

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"benchwarden/daemon/event"
)

type openPrompt struct {
	prompt event.Prompt
	answer chan answered
	taken  bool
}

type answered struct {
	Answer
	refused error
}

// ErrRefused means that the person cannot or will not do what was asked.
var ErrRefused = errors.New("the person could not do what was asked")

// Ask puts a prompt and waits for its answer. A prompt that ends without one is withdrawn.
func (d *Desk) Ask(ctx context.Context, p event.Prompt) (Answer, error) {
	d.mu.Lock()
	d.next++
	p.ID = fmt.Sprintf("p%d", d.next)
	o := &openPrompt{prompt: p, answer: make(chan answered, 1)}
	d.open[p.ID] = o
	d.mu.Unlock()
	d.emit(p)
	if d.cfg.Waiting != nil {
		defer d.cfg.Waiting()()
	}
	var a answered
	select {
	case a = <-o.answer:
	case <-ctx.Done():
		a.refused = context.Cause(ctx)
	}
	d.mu.Lock()
	delete(d.open, p.ID)
	d.mu.Unlock()
	if a.refused == nil && ctx.Err() != nil {
		a.refused = context.Cause(ctx) // answered in the moment in which it was withdrawn
	}
	if a.refused != nil {
		d.emit(event.Withdrawn{ID: p.ID, Why: a.refused.Error()})
		return Answer{}, a.refused
	}
	d.emit(event.Answered{ID: p.ID, By: a.By, Text: a.Text})
	return a.Answer, nil
}

// Open lists the prompts that wait for an answer, the oldest first.
func (d *Desk) Open() []event.Prompt {
	d.mu.Lock()
	defer d.mu.Unlock()
	var prompts []event.Prompt
	for _, o := range d.open {
		prompts = append(prompts, o.prompt)
	}
	slices.SortFunc(prompts, func(a, b event.Prompt) int {
		return cmp.Or(cmp.Compare(len(a.ID), len(b.ID)), cmp.Compare(a.ID, b.ID))
	})
	return prompts
}

// Answer answers an open prompt. What only somebody at the bench may say is refused from elsewhere.
func (d *Desk) Answer(id string, a Answer) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	o, ok := d.open[id]
	if !ok {
		return fmt.Errorf("answer to %s: %w", id, ErrNoPrompt)
	}
	if (o.prompt.Action == Clear || o.prompt.Action == Energise) && !a.AtBench {
		return fmt.Errorf("answer to %q: %w", o.prompt.Text, ErrNotAtBench)
	}
	if a.By == "" {
		return fmt.Errorf("answer to %q: say who answers", o.prompt.Text)
	}
	if len(o.prompt.Offers) > 0 && !slices.Contains(o.prompt.Offers, a.Text) {
		return fmt.Errorf("answer to %q: %q is none of %q", o.prompt.Text, a.Text, o.prompt.Offers)
	}
	return o.take(answered{Answer: a})
}

// Refuse says that a prompt's wish cannot be done; who asked gets ErrRefused with the reason.
func (d *Desk) Refuse(id, reason string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	o, ok := d.open[id]
	if !ok {
		return fmt.Errorf("refusal of %s: %w", id, ErrNoPrompt)
	}
	return o.take(answered{refused: fmt.Errorf("%w (%q): %s", ErrRefused, o.prompt.Text, reason)})
}

// take accepts the first answer only; it needs the desk's lock.
func (o *openPrompt) take(a answered) error {
	if o.taken {
		return fmt.Errorf("answer to %q: it was answered already: %w", o.prompt.Text, ErrNoPrompt)
	}
	o.taken = true
	o.answer <- a // has room for the one
	return nil
}
