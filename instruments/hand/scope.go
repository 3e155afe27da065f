package hand

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
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
	asked  []string // the setting that the person was last asked for, in words
	when   time.Time
	armed  bool // the person has said that the scope waits for its trigger
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

// Forget drops how the scope was set: the next capture tells all of it again.
func (s *Scope) Forget() { s.asked = nil }

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

// forgotten is how long a setting is taken to stand without being told again: somebody may have used the scope meanwhile.
const forgotten = 15 * time.Minute

// setting is what to set, in words; what stays as it was told before is not told again.
func (s *Scope) setting() string {
	clauses := words(s.setup)
	if time.Since(s.when) > forgotten {
		s.asked = nil
	}
	var changed []string
	for i, c := range clauses {
		if i >= len(s.asked) || s.asked[i] != c {
			changed = append(changed, c)
		}
	}
	rest := ""
	switch {
	case len(changed) == 0:
		s.when = time.Now()
		return "The scope stays set as it is."
	case len(changed) < len(clauses):
		rest = " The rest stays."
	}
	s.asked, s.when = clauses, time.Now()
	return "Set the scope: " + strings.Join(changed, "; ") + "." + rest
}

// divisions of a scope's screen (practice): what a range or a length is per division.
const (
	across = 10
	up     = 8
)

// words are the channels, the time base, peak detection and the trigger of a setting.
func words(c scope.Setup) []string {
	var vertical []string
	same := map[string][]string{} // channels by how they are set
	for _, n := range slices.Sorted(maps.Keys(c.Channels)) {
		v := c.Channels[n]
		how := fmt.Sprintf("d.c., probe factor %g, %v a division with %v in the middle (%v to %v have to show)", max(v.Factor, 1),
			quantity.Volts(knob(float64(v.FullScale)/up)), v.Centre, v.Centre-v.FullScale/2, v.Centre+v.FullScale/2)
		which := fmt.Sprintf("channel %d", n)
		if v.Tip != "" {
			which += " (" + v.Tip + ")"
		}
		if len(same[how]) == 0 {
			vertical = append(vertical, how)
		}
		same[how] = append(same[how], which)
	}
	for i, how := range vertical {
		vertical[i] = strings.Join(same[how], ", ") + ": " + how
	}
	length := float64(c.Points) / float64(c.Rate)
	peak, trigger := "peak detection off", "trigger on auto"
	if c.PeakDetect {
		peak = "peak detection on"
	}
	if t := c.Trigger; t.Channel != 0 {
		edge := t.Edge
		if edge == "" {
			edge = scope.Rising
		}
		trigger = fmt.Sprintf("trigger on channel %d, %s edge at %v, %v of the record before it", t.Channel, edge, t.Level, t.Position)
	}
	return []string{
		strings.Join(vertical, "; ") + "; all others off",
		fmt.Sprintf("%v a division, so that the record is %v long or longer, with points %v apart or less (%d for %v)",
			quantity.Seconds(knob(length/across)), quantity.Seconds(length), quantity.Seconds(1/float64(c.Rate)), c.Points, quantity.Seconds(length)),
		peak, trigger,
	}
}

// knob is the next step up of a scope's knob, which goes in steps of 1, 2 and 5 (practice).
func knob(x float64) float64 {
	decade := math.Pow(10, math.Floor(math.Log10(x)))
	for _, step := range []float64{1, 2, 5} {
		if step*decade >= x*(1-1e-9) {
			return step * decade
		}
	}
	return 10 * decade
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
