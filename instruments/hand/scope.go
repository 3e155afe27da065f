package hand

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scope"
	"benchwarden/instruments/waveform"
)

// Scope is one that a person sets, and whose traces come as files that it exports. One caller uses it at a time.
type Scope struct {
	name     string
	asker    Asker
	channels int
	stick    *stick
	says     sayings

	setup  scope.Setup
	asked  string // the setting that the person was last asked for, in words
	armed  bool   // the person has said that the scope waits for its trigger
	traces map[int]waveform.Trace
}

// NewScope returns a scope with so many channels whose exports come into a folder. Nobody is asked anything yet.
func NewScope(name string, asker Asker, folder string, channels int) *Scope {
	return &Scope{name: name, asker: asker, channels: channels, stick: newStick(folder), says: newSayings()}
}

// Name is the scope's role.
func (s *Scope) Name() string { return s.name }

// Channels is how many inputs the scope has.
func (s *Scope) Channels() int { return s.channels }

// Configure remembers what the person will be asked to set.
func (s *Scope) Configure(_ context.Context, setup scope.Setup) error {
	if err := setup.Check(s.channels); err != nil {
		return fmt.Errorf("%s, by hand: %w; nobody was asked", s.name, err)
	}
	s.setup, s.armed, s.traces = setup, false, nil
	return nil
}

// Arm has the person set the scope and arm it where it has to wait for a trigger. A capture at once is asked for together
// with its file.
func (s *Scope) Arm(ctx context.Context) error {
	s.traces, s.armed = nil, false
	s.stick.look()
	if s.setup.Trigger.Channel == 0 {
		return nil
	}
	text := s.setting() + " Start a single capture, so that the scope waits for its trigger, and confirm."
	if _, err := s.asker.Ask(ctx, Question{Role: s.name, Act: "arm|" + s.act(), Text: text}); err != nil {
		return fmt.Errorf("%s, by hand: arm: %w", s.name, err)
	}
	s.armed = true
	return nil
}

// nothing is the answer of a person whose scope has not triggered.
const nothing = "none"

// fileTries is how often the person is asked for a file: mistakes with sticks and names are cheap, a run that is lost is not.
const fileTries = 10

// Triggered asks for the file of the capture; it is false when the person says that nothing triggered. A file that does not serve is
// refused with the reason and asked for again. The person takes their time: within bounds the scope's wait, not theirs.
func (s *Scope) Triggered(ctx context.Context, _ time.Duration) (bool, error) {
	q := Question{Role: s.name, File: true}
	if s.armed {
		q.Act = "file|" + s.act()
		q.Text = fmt.Sprintf("Export the capture as CSV into %s and type the file's name, or %s when nothing triggered.", s.stick.folder, nothing)
	} else {
		q.Act = "capture|" + s.act()
		q.Text = fmt.Sprintf("%s Capture once, export it as CSV into %s and type the file's name.", s.setting(), s.stick.folder)
	}
	for range fileTries {
		answer, err := s.asker.Ask(ctx, q)
		if err != nil {
			return false, fmt.Errorf("%s, by hand: %w", s.name, err)
		}
		if s.armed && strings.EqualFold(strings.TrimSpace(answer), nothing) {
			return false, nil
		}
		err = s.take(ctx, answer)
		var bad *unfit
		switch {
		case err == nil:
			return true, nil
		case !errors.As(err, &bad):
			return false, err
		}
		q.Doubt = err.Error()
	}
	return false, fmt.Errorf("%s, by hand: no file that serves after %d tries; the last one: %s", s.name, fileTries, q.Doubt)
}

// Fetch is the trace of one channel of the file that was taken last, in volts at the probe's tip.
func (s *Scope) Fetch(_ context.Context, channel int) (waveform.Trace, error) {
	t, ok := s.traces[channel]
	if !ok {
		return t, fmt.Errorf("%s, by hand: channel %d: %w", s.name, channel, scope.ErrNoCapture)
	}
	t.Name = fmt.Sprintf("channel %d", channel)
	return t, nil
}

// Stop forgets the capture.
func (s *Scope) Stop(context.Context) error {
	s.traces, s.armed = nil, false
	return nil
}

// setting is what to set, in words; the same as the last time is not told again.
func (s *Scope) setting() string {
	text := words(s.setup)
	if text == s.asked {
		return "The scope stays set as it is."
	}
	s.asked = text
	return text
}

// divisions are on a scope's screen across and up (practice): what a range or a length is per division.
const (
	across = 10
	up     = 8
)

func words(c scope.Setup) string {
	var b strings.Builder
	b.WriteString("Set the scope: ")
	for _, n := range slices.Sorted(maps.Keys(c.Channels)) {
		v := c.Channels[n]
		fmt.Fprintf(&b, "channel %d", n)
		if v.Tip != "" {
			fmt.Fprintf(&b, " (%s)", v.Tip)
		}
		fmt.Fprintf(&b, " d.c., probe factor %g, %v to %v on the screen (%v a division or more, %v in the middle); ", max(v.Factor, 1), v.Centre-v.FullScale/2,
			v.Centre+v.FullScale/2, v.FullScale/up, v.Centre)
	}
	length := quantity.Seconds(float64(c.Points) / float64(c.Rate))
	fmt.Fprintf(&b, "at least %v long (%v a division), at least %d points, so that they lie %v apart or less; ", length, length/across, c.Points, quantity.Seconds(1/float64(c.Rate)))
	if c.PeakDetect {
		b.WriteString("peak detection on; ")
	}
	if t := c.Trigger; t.Channel == 0 {
		b.WriteString("trigger on auto.")
	} else {
		edge := t.Edge
		if edge == "" {
			edge = scope.Rising
		}
		fmt.Fprintf(&b, "trigger on channel %d, %s edge at %v, %v of the record before it.", t.Channel, edge, t.Level, t.Position)
	}
	return b.String()
}

// act is the setting for a program that stands in for the person: rate|points|peak|trigger channel|level|edge|position, and for
// each channel number:low:high.
func (s *Scope) act() string {
	c, t := s.setup, s.setup.Trigger
	fields := []string{fmt.Sprintf("%g|%d|%t|%d|%g|%s|%g", float64(c.Rate), c.Points, c.PeakDetect, t.Channel, float64(t.Level), t.Edge, float64(t.Position))}
	for _, n := range slices.Sorted(maps.Keys(c.Channels)) {
		v := c.Channels[n]
		fields = append(fields, fmt.Sprintf("%d:%g:%g", n, float64(v.Centre-v.FullScale/2), float64(v.Centre+v.FullScale/2)))
	}
	return strings.Join(fields, "|")
}
