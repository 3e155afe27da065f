// Package gates judges the gate channels of a drive whose power devices are not fitted: the gate chart.
//
// A chart takes views: captures of one leg's two gates at one Hall state and direction, each gate measured against its own
// source. It says for every channel which pattern it showed and whether that is the family's, and for every channel and leg
// whether levels, timing and dead time hold. Then it looks at the whole: which single cause explains what is
// wrong, with the probe, the missing permissive and the stand-in looked for before a part is called bad.
//
// A chart never passes a channel that it could not see.
package gates

import (
	"fmt"
	"slices"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// Sight says how well the bench sees the gates. The zero value is an ideal bench.
type Sight struct {
	Accuracy quantity.Volts // 95 % limits of error of a voltage in a trace, probe included
	Gain     quantity.Ratio // 95 % limits of error in proportion to the voltage
	Timebase quantity.Ratio // 95 % limits of error of the scope's clock
	// SkewHigh and SkewLow are how late the probe on the high and on the low gate is; they are taken off.
	SkewHigh, SkewLow quantity.Seconds
	SkewU             quantity.Seconds // 95 % uncertainty of their difference
	// Confidence in "no pulse is missing"; 0 means the family's, else 0.95.
	Confidence float64
	// OneIn is how rare a missing pulse may be and still has to be found; 0 means the family's, else one in 1000.
	OneIn      int
	Instrument string
	Probes     map[string]string // gate channel to the probe that is put on it
	// Hidden says of a gate channel why this bench cannot show it: a bootstrap high side whose switch node is not jumpered.
	Hidden map[string]string
}

// Pair is what the scope caught of a leg's two gates at the same time. An empty trace was not caught.
type Pair struct {
	High, Low waveform.Trace
}

// View is a leg at a Hall state and direction: a short capture for levels, edges and dead time, and a long one for what
// happens now and then. Either may be empty.
type View struct {
	Leg         string
	Code        int
	Direction   drive.Direction
	Short, Long Pair
	Lamp        *bool // the drive's own fault lamp while it was looked at; nil: not looked at
}

// Quiet is a leg while the drive is not asked to turn a motor.
type Quiet struct {
	Check     string // "zero reference", "inhibit", "permissive", "invalid Hall code"
	Subject   string // the permissive, or the code; empty where there is only one
	Situation drive.Situation
	Leg       string
	Pair      Pair
}

// Circumstances are what else is known when the chart is judged; they decide what a silent gate means.
type Circumstances struct {
	// OnRail is what the probe read on a channel's own driver supply ("driver:A.high"), by gate channel. A channel that never
	// moves is undecided until its probe was seen there.
	OnRail map[string]quantity.Volts
	// Proven are channels whose probe read nothing on the driver's supply, and was seen alive elsewhere before and after.
	Proven map[string]bool
	// Withheld are permissives that the bench does not give, in words.
	Withheld []string
	// Missing are stand-ins that are not fitted, by name.
	Missing []string
	// BadRails are rails found out of their limits, by name.
	BadRails []string
	// Lamp is the drive's fault lamp with all permissives given; nil: not looked at.
	Lamp *bool
}

// Result is what a chart comes to.
type Result struct {
	Chart    event.Chart
	Checks   []verdict.Check
	Findings []event.Finding
	Beside   []Beside // suspect channels with their siblings
}

// state is a column of the chart.
type state struct {
	code      int
	direction drive.Direction
}

// Chart gathers views and judges them. It is not safe for concurrent use.
type Chart struct {
	family    *drive.Family
	sight     Sight
	channels  []drive.Channel // of the legs, in the family's order
	states    []state
	sightings map[string]map[state]*sighting
	order     map[string][]state // the states of a leg, as they were visited
	timings   map[string][]legTiming
	quiet     []quietView
}

// New returns an empty chart of a family.
func New(f *drive.Family, s Sight) *Chart {
	if m := f.Modulation.Missing; s.OneIn == 0 && m.Asked() {
		s.OneIn, s.Confidence = m.OneIn, float64(m.Confidence)
	}
	if s.Confidence == 0 {
		s.Confidence = 0.95
	}
	if s.OneIn == 0 {
		s.OneIn = 1000
	}
	c := &Chart{family: f, sight: s, sightings: map[string]map[state]*sighting{}, order: map[string][]state{}, timings: map[string][]legTiming{}}
	for _, ch := range f.Bridge.Channels {
		if ch.Leg != "" {
			c.channels = append(c.channels, ch)
			c.sightings[ch.Name] = map[state]*sighting{}
		}
	}
	for _, d := range drive.Directions() {
		for _, code := range f.Walk(drive.Forward) {
			c.states = append(c.states, state{code, d})
		}
	}
	return c
}

// Add measures a view. Of the traces no more than the begin of the short ones is kept. A view of the same leg and state again replaces
// the one before.
func (c *Chart) Add(v View) error {
	high, low := c.family.Leg(v.Leg)
	s := state{v.Code, v.Direction}
	if high == "" {
		return fmt.Errorf("gate chart: family %s has no leg %q", c.family.Name, v.Leg)
	}
	if !slices.Contains(c.states, s) {
		return fmt.Errorf("gate chart: %s is no valid Hall state of family %s", c.column(s), c.family.Name)
	}
	c.sightings[high][s] = c.look(v.Short.High, v.Long.High, v.Lamp)
	c.sightings[low][s] = c.look(v.Short.Low, v.Long.Low, v.Lamp)
	c.order[v.Leg] = append(slices.DeleteFunc(c.order[v.Leg], func(o state) bool { return o == s }), s)
	c.time(v.Leg, c.column(s), v.Short, false)
	return nil
}

// AddReversal measures a capture, triggered, of a leg while the reference changes its sign: one gate of the leg hands over to
// the other.
func (c *Chart) AddReversal(leg string, p Pair) error {
	if high, _ := c.family.Leg(leg); high == "" {
		return fmt.Errorf("gate chart: family %s has no leg %q", c.family.Name, leg)
	}
	c.time(leg, "reversal of the reference", p, true)
	return nil
}

// AddQuiet measures a leg in a situation in which the family says what its gates show.
func (c *Chart) AddQuiet(q Quiet) error {
	high, low := c.family.Leg(q.Leg)
	if high == "" {
		return fmt.Errorf("gate chart: family %s has no leg %q", c.family.Name, q.Leg)
	}
	c.quiet = append(c.quiet, quietView{Quiet: q, channels: map[string]*sighting{
		high: c.look(waveform.Trace{}, q.Pair.High, nil),
		low:  c.look(waveform.Trace{}, q.Pair.Low, nil),
	}})
	return nil
}

// column names a state as it stands over the chart.
func (c *Chart) column(s state) string {
	if !c.family.UsesHall() {
		return string(s.direction)
	}
	return fmt.Sprintf("%03b %s", s.code, s.direction)
}

// hidden says why a channel cannot be shown on this bench; empty: it can.
func (c *Chart) hidden(channel string) string { return c.sight.Hidden[channel] }

// probe names the probe of a channel in a sentence.
func (c *Chart) probe(channel string) string {
	if p := c.sight.Probes[channel]; p != "" {
		return "probe " + p
	}
	return "the probe"
}
