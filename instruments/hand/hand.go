// Package hand makes a person an instrument: a supply that is turned by hand, a meter that is read by eye. The person is asked,
// answers with a unit, and is asked again when the answer cannot be meant. A scope without a usable port is one of them: its traces come as files.
package hand

import (
	"context"
	"errors"
	"fmt"

	"benchwarden/instruments/quantity"
)

// Question is one thing asked of the person at the bench.
type Question struct {
	Role string // of the instrument that is set or read: "bus", "bus_meter"
	Text string // what to do and what to answer
	Unit string // of the answer; empty: any word confirms
	// Act is the same for a program that stands in for the person: "set_voltage|30", "on", "read_voltage", "dc_volts".
	Act string
	// Offers are the answers to choose from; empty: any.
	Offers []string
	// File: the answer is the name of a file.
	File bool
	// Doubt says why the answer before was not taken; empty the first time.
	Doubt string
}

// Asker is how the person is reached.
type Asker interface {
	// Ask puts a question and returns what was typed in. It waits until ctx ends.
	Ask(ctx context.Context, q Question) (string, error)
	// Note keeps a sentence in the record.
	Note(text string)
	// Compute runs f, which only computes, once a processor is free for it; an error says that ctx ended before.
	Compute(ctx context.Context, f func()) error
}

// Errors that callers tell apart.
var (
	// ErrPastLimit: nobody was asked.
	ErrPastLimit = errors.New("past the limit, nobody was asked to set it")
	// ErrImplausible: the person gave no answer that can be meant, after several tries.
	ErrImplausible = errors.New("no answer that can be taken for a reading")
	// ErrNobody: there is nobody who could be asked.
	ErrNobody = errors.New("nobody can be asked")
	// ErrByHand: nothing can be switched without a person.
	ErrByHand = errors.New("this instrument is operated by hand: only a person can do it")
)

// Between bounds what an answer can be.
type Between struct{ Min, Max quantity.Value }

func (b Between) String() string { return fmt.Sprintf("%v to %v", b.Min, b.Max) }

// tries is how often a question is put.
const tries = 3

// value asks for a reading with its unit until one is plausible.
func value(ctx context.Context, a Asker, q Question, within Between) (quantity.Value, error) {
	q.Unit = within.Min.Unit.String()
	for range tries {
		text, err := a.Ask(ctx, q)
		if err != nil {
			return quantity.Value{}, fmt.Errorf("%s, by hand: %w", q.Role, err)
		}
		v, err := quantity.ParseAs(text, within.Min.Unit)
		switch {
		case err != nil:
			q.Doubt = err.Error()
		case !(v.Number >= within.Min.Number && v.Number <= within.Max.Number):
			q.Doubt = fmt.Sprintf("%v is outside %v: look at the unit and at the decimal point", v, within)
		default:
			return v, nil
		}
	}
	return quantity.Value{}, fmt.Errorf("%s, by hand: %w; the last one: %s", q.Role, ErrImplausible, q.Doubt)
}
