// Package hall drives the source that stands in for a motor's Hall sensors.
package hall

import (
	"context"
	"fmt"

	"benchwarden/instruments/dialect"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
)

// Session is all that the driver needs of a conversation.
type Session interface {
	Do(ctx context.Context, p link.Priority, command string, args dialect.Args) error
	DoAll(ctx context.Context, p link.Priority, calls ...dialect.Call) error
	Ask(ctx context.Context, p link.Priority, query string, args dialect.Args) (dialect.Answer, error)
	Urgent(calls ...dialect.Call) error
}

// Line is how one Hall line is driven.
type Line string

// The states of a line.
const (
	Driven Line = "driven"
	Open   Line = "open"
	Short  Line = "short" // to the sensors' negative supply
)

// Hall is one Hall source.
type Hall struct {
	name string
	s    Session
}

// New returns a Hall source. It sends nothing.
func New(name string, s Session) *Hall { return &Hall{name: name, s: s} }

// Name is the source's role.
func (h *Hall) Name() string { return h.name }

// Output connects the lines; off leaves all of them open.
func (h *Hall) Output(ctx context.Context, p link.Priority, on bool) error {
	return h.s.Do(ctx, p, "output", dialect.Args{"on": on})
}

// On tells whether the source says that its lines are connected.
func (h *Hall) On(ctx context.Context, p link.Priority) (bool, error) {
	a, err := h.s.Ask(ctx, p, "output", nil)
	if err != nil {
		return false, err
	}
	on, err := a.Bool()
	return on, h.failed("output", err)
}

// Off opens all lines at once, waiting for nobody.
func (h *Hall) Off() error {
	return h.s.Urgent(dialect.Call{Command: "output", Args: dialect.Args{"on": false}})
}

// SetCode holds a Hall state: bit 2 is Hall 1, bit 1 Hall 2, bit 0 Hall 3.
func (h *Hall) SetCode(ctx context.Context, code int) error {
	if code < 0 || code > 7 {
		return fmt.Errorf("%s: Hall code %d: there are 0 to 7; nothing was sent", h.name, code)
	}
	return h.s.DoAll(ctx, link.Script, dialect.Call{Command: "mode", Args: dialect.Args{"mode": "hold"}},
		dialect.Call{Command: "code", Args: dialect.Args{"code": code}})
}

// SetLine drives a line from 1 to 3, opens it or shorts it.
func (h *Hall) SetLine(ctx context.Context, line int, state Line) error {
	return h.s.Do(ctx, link.Script, "line", dialect.Args{"line": line, "state": string(state)})
}

// Spacing sets the order of states when running: sensors 60 or 120 electrical degrees apart.
func (h *Hall) Spacing(ctx context.Context, degrees int) error {
	if degrees != 60 && degrees != 120 {
		return fmt.Errorf("%s: Hall spacing of %d degrees: there are 60 and 120; nothing was sent", h.name, degrees)
	}
	return h.s.Do(ctx, link.Script, "spacing", dialect.Args{"spacing": degrees})
}

// Run turns the absent motor: electrical revolutions a second, from the present state on.
func (h *Hall) Run(ctx context.Context, electrical quantity.Hertz, reverse bool) error {
	direction := "forward"
	if reverse {
		direction = "reverse"
	}
	return h.s.DoAll(ctx, link.Script,
		dialect.Call{Command: "direction", Args: dialect.Args{"direction": direction}},
		dialect.Call{Command: "frequency", Args: dialect.Args{"frequency": electrical}},
		dialect.Call{Command: "mode", Args: dialect.Args{"mode": "run"}})
}

// Hold stops where it is.
func (h *Hall) Hold(ctx context.Context) error {
	return h.s.Do(ctx, link.Script, "mode", dialect.Args{"mode": "hold"})
}

// Sense reads what the lines really show, as a code.
func (h *Hall) Sense(ctx context.Context) (int, error) {
	a, err := h.s.Ask(ctx, link.Script, "sense", nil)
	if err != nil {
		return 0, err
	}
	x, err := a.Number()
	if err == nil && !(x >= 0 && x <= 7) {
		err = fmt.Errorf("%w: %q is no Hall code", dialect.ErrUnreadable, a.Text())
	}
	return int(x), h.failed("sense", err)
}

func (h *Hall) failed(what string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s: %s: %w", h.name, what, err)
}
