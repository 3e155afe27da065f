package gates

import (
	"fmt"
	"math"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// pulseTiming grades frequency, duty, width against the siblings and jitter of the cells of a row; whole is the channel's
// whole row, which knows its siblings.
func (c *Chart) pulseTiming(row, whole *channelRow) []grade {
	const name = "pulse timing"
	var grades []grade
	m := c.family.Modulation
	for _, x := range row.cells {
		p, ok := x.fine()
		if !ok || p.Kind != waveform.Pulsing || !x.match && x.expected == drive.Off {
			continue
		}
		jitter := p.Jitter
		if x.hasLong && x.long.Kind == waveform.Pulsing {
			if !p.Period.Known() {
				p = x.long
			}
			if !jitter.Known() {
				jitter = x.long.Jitter // too few periods in the short capture
			}
		}
		add := func(g grade, what string) {
			if g.Outcome != verdict.Pass {
				if g.Reason != "" {
					what += ": " + g.Reason
				}
				g.Reason = what
			}
			grades = append(grades, x.at(c, g))
		}
		band := between(float64(m.Frequency)*(1-float64(m.Within)), float64(m.Frequency)*(1+float64(m.Within)))
		add(c.against(name, row.channel.Name, p.Frequency, quantity.Hertz(0).Value().Unit, band), frequencyWord)
		if l, ok := c.dutyLimits(x); ok {
			add(c.against(name, row.channel.Name, p.Duty, quantity.Percent, l), dutyWord)
		}
		if l, ok := whole.widthLimits(c, x); ok {
			add(c.against(name, row.channel.Name, p.PulseWidth, quantity.Second, l), widthWord+" against its siblings")
		}
		if m.Jitter > 0 && jitter.Known() {
			if g := c.against(name, row.channel.Name, jitter, quantity.Second, atMost(m.Jitter)); g.Outcome != verdict.Undecided {
				add(g, jitterWord+": the period varies from pulse to pulse")
			}
		}
	}
	return grades
}

// What a reason of pulse timing begins with, after the place.
const (
	frequencyWord = "chopping frequency"
	dutyWord      = "duty"
	widthWord     = "pulse width"
	jitterWord    = "jitter"
)

// dutyLimits are the duties that the pattern allows, with the dead time that may have been taken off.
func (c *Chart) dutyLimits(x *cell) (limits, bool) {
	if !x.match || !x.expected.Switches() || c.family.Reference.DutyWithin == 0 {
		return limits{}, false
	}
	want, known := c.family.DutyOf(x.expected)
	if !known {
		return limits{}, false
	}
	within := c.family.Reference.DutyWithin
	dead := quantity.Ratio(float64(c.family.Modulation.DeadTime.Longest) * float64(c.family.Modulation.Frequency))
	return between(want-within-dead, want+within), true
}

// edges grades the rise or the fall time; they exist only with a gate load.
func (c *Chart) edges(row *channelRow, name string, of func(waveform.Pulses) waveform.Measure, limit quantity.Seconds) verdict.Check {
	g := c.family.Gate
	if row.hidden == "" && g.Load == 0 {
		return c.plain(name, row.channel.Name, verdict.NotShown,
			"without a gate load an edge is the probe's, not the gate's", "fit dummy gate capacitors and state gate_load in the family file")
	}
	var grades []grade
	for _, x := range row.cells {
		if !x.hasShort || x.short.Kind != waveform.Pulsing || !x.wasOn() {
			continue
		}
		m := of(x.short)
		k := c.against(name, row.channel.Name, m, quantity.Second, atMost(limit))
		if fastest, longest := c.fastestEdge(), atLongest(m); longest > 0 && longest < fastest/2 {
			k.Check = c.plain(name, row.channel.Name, verdict.NotShown,
				fmt.Sprintf("at most %s: faster than the gate resistor can charge the dummy capacitor (%s): the edge is unloaded", seconds(longest), seconds(fastest)),
				"check that the dummy gate capacitor is fitted and the gate resistor is what the family says")
		}
		grades = append(grades, x.at(c, k))
	}
	return c.summary(name, row, grades, "no edge was captured")
}

// atLongest is what a measure is at most; 0 where that is not known.
func atLongest(m waveform.Measure) float64 {
	if m.Known() {
		return m.Value + m.U
	}
	return m.AtMost
}

// fastestEdge is the 10 to 90 % time of the gate resistor alone into the gate load, in seconds.
//
// Source: single pole, 10 to 90 % is ln 9 times RC (analytic).
func (c *Chart) fastestEdge() float64 {
	return math.Log(9) * float64(c.family.Gate.Resistor) * float64(c.family.Gate.Load)
}

// tally counts the pulses of a channel over all long captures.
type tally struct {
	looked, missing, extra int
	capped                 bool
	undecided, change      string
	where                  string
}

func (c *Chart) missing(long waveform.Trace, s *sighting) (waveform.Rare, bool) {
	if s.long.Kind != waveform.Pulsing {
		return waveform.Rare{}, false
	}
	period := quantity.Seconds(1 / float64(c.family.Modulation.Frequency))
	switch {
	case s.hasShort && s.short.Kind == waveform.Pulsing && s.short.Period.Known():
		period = quantity.Seconds(s.short.Period.Value)
	case c.family.Modulation.Kind == drive.UnknownWord && s.long.Period.Known():
		period = quantity.Seconds(s.long.Period.Value)
	}
	s.period = period
	return waveform.Missing(long, period, c.options()), true
}

func (r *channelRow) tally() (t tally) {
	for _, x := range r.cells {
		switch {
		case !x.hasRare || !x.found.pattern.Switches():
			continue
		case x.rare.Undecided != "":
			t.undecided, t.change = x.rare.Undecided, x.rare.Change
			continue
		}
		t.looked += x.rare.Found
		t.capped = t.capped || x.capped
		if x.rare.Missing+x.rare.Extra > 0 && t.where == "" {
			t.where = x.column
		}
		t.missing += x.rare.Missing
		t.extra += x.rare.Extra
	}
	return t
}

// missingPulses says how many pulses were looked at and what that proves.
func (c *Chart) missingPulses(r *channelRow) verdict.Check {
	const name = "missing pulses"
	subject := r.channel.Name
	if r.hidden != "" {
		return c.plain(name, subject, verdict.NotShown, r.hidden, "")
	}
	t := r.tally()
	need := waveform.PulsesFor(c.sight.OneIn, c.sight.Confidence)
	k := c.plain(name, subject, verdict.Pass, "", "")
	zero := 0.0
	found := float64(t.missing + t.extra)
	k.Reading, k.High = valueOf(&found, quantity.One), valueOf(&zero, quantity.One)
	switch {
	case t.missing+t.extra > 0:
		k.Outcome = verdict.Fail
		k.Reason = fmt.Sprintf("%d missing and %d extra of %d pulses, first at %s", t.missing, t.extra, t.looked+t.missing, t.where)
	case t.looked == 0 && r.never():
		k = c.plain(name, subject, verdict.NotApplicable, "the family's patterns never chop this channel", "")
	case t.looked == 0 && t.undecided != "":
		k = c.plain(name, subject, verdict.Undecided, t.undecided, t.change)
	case t.looked == 0:
		o := verdict.NotShown
		if len(r.cells) > 0 {
			o = verdict.Undecided
		}
		k = c.plain(name, subject, o, "no pulse train of this channel was seen in a long capture", "a long capture of a chopping channel")
	case t.looked < need:
		k.Outcome = verdict.Undecided
		k.Reason = fmt.Sprintf("%d pulses and none missing; one in %d would show with %g %% confidence only in %d: %.3g %% is reached",
			t.looked, c.sight.OneIn, percent(c.sight.Confidence), need, percent(waveform.ConfidenceIn(c.sight.OneIn, t.looked)))
		k.Change = "longer captures"
		if t.capped {
			k.Reason += fmt.Sprintf("; stopped at %d captures a Hall state, the most that a sweep takes", MostWatches+1)
			k.Change = "longer captures, or a missing pulse that may be less rare in the family file"
		}
	default:
		rate := t.looked
		if limit := math.Log1p(-c.sight.Confidence); limit < 0 {
			rate = int(float64(t.looked) / -limit)
		}
		k.Reason = fmt.Sprintf("%d pulses and none missing: with %g %% confidence fewer than one in %d", t.looked, percent(c.sight.Confidence), rate)
		if c.family.Modulation.Missing.Asked() {
			k.Reason += fmt.Sprintf("; one in %d would have shown with %.5g %% confidence", c.sight.OneIn, percent(waveform.ConfidenceIn(c.sight.OneIn, t.looked)))
		}
	}
	return k
}

// percent of a ratio, rounded to what float64 shows without a tail; 99.95 % of confidence is never shown as 100 %.
func percent(ratio float64) float64 { return math.Floor(ratio*1e7+0.5) / 1e5 }

// never says that no pattern of this channel switches.
func (r *channelRow) never() bool {
	for _, x := range r.cells {
		if x.expected == "" || x.expected.Switches() {
			return false
		}
	}
	return len(r.cells) > 0
}
