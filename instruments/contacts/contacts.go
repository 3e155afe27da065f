// Package contacts drives relay contacts and digital inputs by the names that a bench gives them.
package contacts

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"benchwarden/instruments/dialect"
	"benchwarden/instruments/link"
)

// Channel is where a named contact or input is wired.
type Channel struct {
	Number int
	Input  bool
	Normal bool // of an input: how it reads when all is well
}

// Session is all that the driver needs of a conversation.
type Session interface {
	Do(ctx context.Context, p link.Priority, command string, args dialect.Args) error
	Ask(ctx context.Context, p link.Priority, query string, args dialect.Args) (dialect.Answer, error)
	Urgent(calls ...dialect.Call) error
}

// ErrUnknown: the bench file does not name such a contact or input.
var ErrUnknown = errors.New("not on this bench")

// Contacts are the contacts and inputs of one instrument.
type Contacts struct {
	name     string
	s        Session
	channels map[string]Channel
}

// New returns the contacts of one instrument. It sends nothing.
func New(name string, s Session, channels map[string]Channel) *Contacts {
	return &Contacts{name: name, s: s, channels: maps.Clone(channels)}
}

// Name is the instrument's role.
func (c *Contacts) Name() string { return c.name }

// Channel is where a contact or input is wired.
func (c *Contacts) Channel(name string) (Channel, bool) {
	channel, ok := c.channels[name]
	return channel, ok
}

func (c *Contacts) find(name string, input bool) (Channel, error) {
	channel, ok := c.channels[name]
	if ok && channel.Input == input {
		return channel, nil
	}
	kind, known := "contact", []string{}
	if input {
		kind = "input"
	}
	for _, n := range slices.Sorted(maps.Keys(c.channels)) {
		if c.channels[n].Input == input {
			known = append(known, n)
		}
	}
	return Channel{}, fmt.Errorf("%s: %s %s: %w; there are %s", c.name, kind, name, ErrUnknown, strings.Join(known, ", "))
}

func call(channel Channel, closed bool) dialect.Call {
	command := "open"
	if closed {
		command = "close"
	}
	return dialect.Call{Command: command, Args: dialect.Args{"channel": channel.Number}}
}

// Set closes or opens a contact.
func (c *Contacts) Set(ctx context.Context, p link.Priority, contact string, closed bool) error {
	channel, err := c.find(contact, false)
	if err != nil {
		return err
	}
	to := call(channel, closed)
	return c.s.Do(ctx, p, to.Command, to.Args)
}

// Closed tells whether the instrument says that a contact is closed.
func (c *Contacts) Closed(ctx context.Context, p link.Priority, contact string) (bool, error) {
	channel, err := c.find(contact, false)
	if err != nil {
		return false, err
	}
	return c.ask(ctx, p, contact, "closed", dialect.Args{"channel": channel.Number})
}

// Input tells whether an input is closed.
func (c *Contacts) Input(ctx context.Context, p link.Priority, name string) (bool, error) {
	channel, err := c.find(name, true)
	if err != nil {
		return false, err
	}
	return c.ask(ctx, p, name, "input", dialect.Args{"input": channel.Number})
}

func (c *Contacts) ask(ctx context.Context, p link.Priority, name, query string, args dialect.Args) (bool, error) {
	a, err := c.s.Ask(ctx, p, query, args)
	if err != nil {
		return false, err
	}
	closed, err := a.Bool()
	if err != nil {
		return false, fmt.Errorf("%s: %s: %w", c.name, name, err)
	}
	return closed, nil
}

// Urgent moves contacts at once, waiting for nobody. Opening comes before closing; names that are no contacts here are
// an error after the others were sent.
func (c *Contacts) Urgent(to map[string]bool) error {
	var opens, closes []dialect.Call
	var unknown []error
	for _, name := range slices.Sorted(maps.Keys(to)) {
		channel, err := c.find(name, false)
		switch {
		case err != nil:
			unknown = append(unknown, err)
		case to[name]:
			closes = append(closes, call(channel, true))
		default:
			opens = append(opens, call(channel, false))
		}
	}
	calls := append(opens, closes...)
	if len(calls) == 0 {
		return errors.Join(unknown...)
	}
	return errors.Join(append(unknown, c.s.Urgent(calls...))...)
}
