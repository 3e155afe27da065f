// Package meter drives bench meters and what else gives one reading at a time, such as thermometers.
package meter

import (
	"context"
	"errors"
	"fmt"

	"benchwarden/instruments/dialect"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
)

// Function is what a meter measures. Its text is the dialect's question.
type Function string

// The functions of meters.
const (
	DCVolts     Function = "dc_volts"
	DCCurrent   Function = "dc_current"
	Ohms        Function = "ohms"
	FourWire    Function = "ohms_four_wire" // resistance with two wires that feed and two that sense
	Diode       Function = "diode"          // forward voltage
	Temperature Function = "temperature"
)

// ErrNotThere: the meter does not have the function.
var ErrNotThere = errors.New("this meter has no such function")

// Session is all that the driver needs of a conversation.
type Session interface {
	Ask(ctx context.Context, p link.Priority, query string, args dialect.Args) (dialect.Answer, error)
	Has(name string) bool
}

// Meter is one meter.
type Meter struct {
	name string
	s    Session
}

// New returns a meter. It sends nothing.
func New(name string, s Session) *Meter { return &Meter{name: name, s: s} }

// Name is the meter's role.
func (m *Meter) Name() string { return m.name }

// Has tells whether the meter has a function.
func (m *Meter) Has(f Function) bool { return m.s.Has(string(f)) }

// Read takes one reading. An input past the meter's range is scpi.ErrOverrange, no reading at all scpi.ErrNoReading; neither
// is ever a number.
func (m *Meter) Read(ctx context.Context, p link.Priority, f Function) (quantity.Value, error) {
	if !m.Has(f) {
		return quantity.Value{}, fmt.Errorf("%s: %s: %w", m.name, f, ErrNotThere)
	}
	a, err := m.s.Ask(ctx, p, string(f), nil)
	if err != nil {
		return quantity.Value{}, err
	}
	v, err := a.Value()
	if err != nil {
		return quantity.Value{}, fmt.Errorf("%s: %s: %w", m.name, f, err)
	}
	return v, nil
}
