package hand

import (
	"context"
	"fmt"
	"slices"

	"benchwarden/instruments/link"
)

// Contacts are switches and jumpers that a person sets, and lamps that a person looks at. One caller uses them at a time.
type Contacts struct {
	name   string
	asker  Asker
	inputs map[string]bool // by name; true: an input
	closed map[string]bool // as the person last confirmed them
}

// NewContacts returns contacts by name; true is an input. Nobody is asked anything yet.
func NewContacts(name string, asker Asker, inputs map[string]bool) *Contacts {
	return &Contacts{name: name, asker: asker, inputs: inputs, closed: map[string]bool{}}
}

// Name is their role.
func (c *Contacts) Name() string { return c.name }

// Set has the person close or open a contact; what stands as asked already is not asked for again.
func (c *Contacts) Set(ctx context.Context, _ link.Priority, contact string, closed bool) error {
	if is, known := c.closed[contact]; known && is == closed {
		return nil
	}
	act, word := "open", "Open"
	if closed {
		act, word = "close", "Close"
	}
	if _, err := c.asker.Ask(ctx, Question{Role: c.name, Act: act + "|" + contact, Text: fmt.Sprintf("%s the contact %s and confirm.", word, contact)}); err != nil {
		return fmt.Errorf("%s, by hand: %s %s: %w", c.name, act, contact, err)
	}
	c.closed[contact] = closed
	return nil
}

// Forget drops what was confirmed: people move clips and switches while no run goes on, so that a run asks for each of them anew.
func (c *Contacts) Forget() { clear(c.closed) }

// Closed is what the person last confirmed; a contact that nobody was asked for yet is an error.
func (c *Contacts) Closed(_ context.Context, _ link.Priority, contact string) (bool, error) {
	closed, known := c.closed[contact]
	if !known {
		return false, fmt.Errorf("%s, by hand: nobody has said how the contact %s stands", c.name, contact)
	}
	return closed, nil
}

// Input asks the person how an input stands: a lamp is closed when it is lit.
func (c *Contacts) Input(ctx context.Context, _ link.Priority, name string) (bool, error) {
	offers := []string{"closed", "open"}
	if !c.inputs[name] {
		return false, fmt.Errorf("%s, by hand: %s is no input", c.name, name)
	}
	answer, err := c.asker.Ask(ctx, Question{Role: c.name, Act: "look|" + name, Offers: offers,
		Text: fmt.Sprintf("Look at %s: closed (a lamp: lit) or open (a lamp: dark)?", name)})
	switch {
	case err != nil:
		return false, fmt.Errorf("%s, by hand: %s: %w", c.name, name, err)
	case !slices.Contains(offers, answer):
		return false, fmt.Errorf("%s, by hand: %s: %w: %q is neither closed nor open", c.name, name, ErrImplausible, answer)
	}
	return answer == offers[0], nil
}

// Urgent is ErrByHand.
func (c *Contacts) Urgent(map[string]bool) error {
	return fmt.Errorf("%s: move contacts: %w", c.name, ErrByHand)
}
