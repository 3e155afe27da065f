// Package scope drives oscilloscopes: settings, one capture, its traces in volts at the probe's tip.
package scope

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"benchwarden/instruments/dialect"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
)

// Session is all that the driver needs of a conversation.
type Session interface {
	Do(ctx context.Context, p link.Priority, command string, args dialect.Args) error
	DoAll(ctx context.Context, p link.Priority, calls ...dialect.Call) error
	Ask(ctx context.Context, p link.Priority, query string, args dialect.Args) (dialect.Answer, error)
	Has(name string) bool
	Range(parameter string) (dialect.Span, bool)
}

// Vertical is how one channel is set, in volts at the probe's tip.
type Vertical struct {
	FullScale quantity.Volts // from the bottom to the top of the screen
	Centre    quantity.Volts // in the middle
	Factor    float64        // what the probe divides by; 0 is 1
	Tip       string         // where the probe's tip is, for a person who sets the scope; "" where nobody reads it
}

// Edge is on what a trigger acts.
type Edge string

// The edges of a trigger.
const (
	Rising  Edge = "rising"
	Falling Edge = "falling"
	Either  Edge = "either"
)

// Trigger starts a capture.
type Trigger struct {
	Channel  int // 0: at once
	Level    quantity.Volts
	Edge     Edge           // rising if empty
	Position quantity.Ratio // of the trigger in the record, 0 at its start
}

// Setup is a whole setting; channels that it does not name are off.
type Setup struct {
	Channels   map[int]Vertical
	Rate       quantity.Hertz // samples a second
	Points     int            // samples a channel
	Trigger    Trigger
	PeakDetect bool // keep spikes shorter than the time between samples
}

// Errors that callers tell apart.
var (
	ErrNotThere  = errors.New("this scope has no such function")
	ErrNoCapture = errors.New("there is no complete capture to read")
)

// Scope is one oscilloscope.
type Scope struct {
	name string
	s    Session

	mu       sync.Mutex
	complete bool
	duration time.Duration // of a record
}

// New returns a scope. It sends nothing.
func New(name string, s Session) *Scope { return &Scope{name: name, s: s} }

// Name is the scope's role.
func (s *Scope) Name() string { return s.name }

// Channels is how many inputs the scope has.
func (s *Scope) Channels() int {
	span, ok := s.s.Range("channel")
	if !ok {
		return 0
	}
	return int(span.Max.Number)
}

// Configure stops a capture that is under way and sets everything that Setup says.
func (s *Scope) Configure(ctx context.Context, setup Setup) error {
	if err := s.check(setup); err != nil {
		return fmt.Errorf("%s: %w; nothing was sent", s.name, err)
	}
	s.note(false, quantity.Seconds(float64(setup.Points)/float64(setup.Rate)).Duration())
	return s.s.DoAll(ctx, link.Script, s.calls(setup)...)
}

func (s *Scope) note(complete bool, duration time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.complete = complete
	if duration > 0 {
		s.duration = duration
	}
}

func (s *Scope) check(setup Setup) error {
	if err := setup.Check(s.Channels()); err != nil {
		return err
	}
	for n, v := range setup.Channels {
		if v.Factor != 0 && v.Factor != 1 && !s.s.Has("factor") {
			return fmt.Errorf("channel %d: probe factor %g: %w", n, v.Factor, ErrNotThere)
		}
	}
	if setup.PeakDetect && !s.s.Has("peak_detect") {
		return fmt.Errorf("peak detection: %w", ErrNotThere)
	}
	return nil
}

// Check says what of a setup no scope with so many channels could be set to.
func (setup Setup) Check(channels int) error {
	if len(setup.Channels) == 0 {
		return errors.New("a capture of no channel")
	}
	for n, v := range setup.Channels {
		switch {
		case n < 1 || n > channels:
			return fmt.Errorf("channel %d: there are 1 to %d", n, channels)
		case !(v.FullScale > 0):
			return fmt.Errorf("channel %d: full scale %v", n, v.FullScale)
		case v.Factor < 0 || v.Factor != v.Factor:
			return fmt.Errorf("channel %d: probe factor %g", n, v.Factor)
		}
	}
	t := setup.Trigger
	switch _, shown := setup.Channels[t.Channel]; {
	case !(setup.Rate > 0):
		return fmt.Errorf("sampling at %v", setup.Rate)
	case setup.Points < 1:
		return fmt.Errorf("%d points", setup.Points)
	case t.Channel != 0 && !shown:
		return fmt.Errorf("trigger on channel %d, which is not captured", t.Channel)
	case !(t.Position >= 0 && t.Position <= 1):
		return fmt.Errorf("trigger at %v of the record", t.Position)
	}
	return nil
}

func (s *Scope) calls(setup Setup) []dialect.Call {
	var calls []dialect.Call
	add := func(command string, args dialect.Args) {
		calls = append(calls, dialect.Call{Command: command, Args: args})
	}
	add("stop", nil)
	if s.s.Has("prepare") {
		add("prepare", nil)
	}
	for n := 1; n <= s.Channels(); n++ {
		v, on := setup.Channels[n]
		add("input", dialect.Args{"channel": n, "on": on})
		if !on {
			continue
		}
		if s.s.Has("factor") { // first, since it changes what the others mean
			factor := v.Factor
			if factor == 0 {
				factor = 1
			}
			add("factor", dialect.Args{"channel": n, "factor": factor})
		}
		add("full_scale", dialect.Args{"channel": n, "full_scale": v.FullScale})
		add("centre", dialect.Args{"channel": n, "centre": v.Centre})
	}
	add("points", dialect.Args{"points": setup.Points})
	add("interval", dialect.Args{"interval": quantity.Seconds(1 / float64(setup.Rate))})
	add("position", dialect.Args{"position": float64(setup.Trigger.Position)})
	if s.s.Has("peak_detect") {
		add("peak_detect", dialect.Args{"on": setup.PeakDetect})
	}
	t := setup.Trigger
	if t.Channel == 0 {
		add("trigger_at_once", nil)
		return calls
	}
	if t.Edge == "" {
		t.Edge = Rising
	}
	add("trigger_source", dialect.Args{"channel": t.Channel})
	add("trigger_level", dialect.Args{"level": t.Level})
	add("trigger_edge", dialect.Args{"edge": string(t.Edge)})
	return calls
}
