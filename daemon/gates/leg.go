package gates

import (
	"fmt"
	"math"

	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// legTiming is how a leg's gates took turns in one capture.
type legTiming struct {
	where    string
	reversal bool
	waveform.Timing
}

func (c *Chart) time(leg, where string, p Pair, reversal bool) {
	if p.High.Len() == 0 || p.Low.Len() == 0 {
		return
	}
	threshold := c.family.Device.MinimumThreshold
	t := waveform.Leg(p.High, p.Low, waveform.LegOptions{
		SkewHigh: c.sight.SkewHigh, SkewLow: c.sight.SkewLow, SkewU: c.sight.SkewU,
		ThresholdHigh: threshold, ThresholdLow: threshold, Gain: c.sight.Gain, Offset: c.sight.Accuracy,
	})
	c.timings[leg] = append(c.timings[leg], legTiming{where, reversal, t})
}

// turns are the changeovers of one kind, over all captures of a leg.
type turns struct {
	name              string
	count, overlaps   int
	shortest, longest waveform.Measure
	at                string // where the shortest was seen
	reversal          bool   // all at reversals
}

func (k *turns) add(where string, reversal bool, o waveform.Changeover) {
	if o.Count == 0 {
		return
	}
	if k.count == 0 || o.Shortest.Value < k.shortest.Value {
		k.shortest, k.at = o.Shortest, where
	}
	if k.count == 0 || o.Longest.Value > k.longest.Value {
		k.longest = o.Longest
	}
	k.reversal = reversal && (k.count == 0 || k.reversal)
	k.count += o.Count
	k.overlaps += o.Overlaps
}

func (c *Chart) turns(leg string) (highLow, lowHigh turns) {
	highLow.name, lowHigh.name = "high to low", "low to high"
	for _, t := range c.timings[leg] {
		if c.family.Modulation.DeadTime.Seen == "reversal" && !t.reversal {
			continue // with one side chopped the two gates do not take turns; what looks like it is a pattern fault
		}
		highLow.add(t.where, t.reversal, t.HighToLow)
		lowHigh.add(t.where, t.reversal, t.LowToHigh)
	}
	return highLow, lowHigh
}

// deadTime judges a leg.
func (c *Chart) deadTime(leg string) (verdict.Check, event.ChartLeg) {
	const name = "dead time"
	subject := "leg " + leg
	row := event.ChartLeg{Leg: leg}
	high, low := c.family.Leg(leg)
	highLow, lowHigh := c.turns(leg)
	overlap, where := c.overlap(leg)
	row.Captured = c.captured(highLow, lowHigh)
	row.DeadHL, row.DeadLH = quantity.Seconds(highLow.shortest.Value), quantity.Seconds(lowHigh.shortest.Value)
	done := func(k verdict.Check) (verdict.Check, event.ChartLeg) {
		row.Outcome, row.Reason = k.Outcome, k.Reason
		return k, row
	}
	for _, channel := range []string{high, low} {
		if why := c.hidden(channel); why != "" {
			return done(c.plain(name, subject, verdict.NotShown, channel+": "+why, ""))
		}
	}
	if overlap.Known() && overlap.Value > 0 {
		row.Overlap = quantity.Seconds(overlap.Value)
		g := c.against(name, subject, overlap, quantity.Second, atMost(0.0))
		g.Reason = fmt.Sprintf("both gates of the leg are above the device's threshold for %v (%s)", seconds(overlap.Value), where)
		if g.Outcome == verdict.Fail {
			return done(g.Check)
		}
	}
	if highLow.count+lowHigh.count == 0 {
		return done(c.noTurns(name, subject, leg))
	}
	var grades []grade
	for _, k := range []turns{highLow, lowHigh} {
		grades = append(grades, c.gradeTurns(name, subject, k)...)
	}
	w, _ := worst(grades)
	return done(w.Check)
}

func (c *Chart) gradeTurns(name, subject string, k turns) []grade {
	d := c.family.Modulation.DeadTime
	if k.count == 0 {
		reason := fmt.Sprintf("the gates never took turns from %s", k.name)
		return []grade{{Check: c.plain(name, subject, verdict.Undecided, reason, "capture this changeover")}}
	}
	tell := func(g grade) grade {
		if g.Outcome != verdict.Pass && g.Reason == "" {
			g.Reason = fmt.Sprintf("from %s, %s", k.name, k.at)
		}
		return g
	}
	if !k.reversal {
		return []grade{
			tell(c.against(name, subject, k.shortest, quantity.Second, between(d.Shortest, d.Longest))),
			tell(c.against(name, subject, k.longest, quantity.Second, between(d.Shortest, d.Longest))),
		}
	}
	// At a reversal the gap may hold a part of the chopping period besides the dead time: the shortest of several counts.
	g := tell(c.against(name, subject, k.shortest, quantity.Second, between(d.Shortest, d.Longest)))
	if long := k.shortest.Value > float64(d.Longest); long && g.Outcome == verdict.Fail && k.count < reversalsWanted {
		g.Outcome = verdict.Undecided
		g.Reason = fmt.Sprintf("from %s: the gap at a reversal may hold a part of the chopping period; %d seen", k.name, k.count)
		g.Change = fmt.Sprintf("capture %d reversals", reversalsWanted)
	}
	return []grade{g}
}

// reversalsWanted is how many changeovers of a kind have to be seen before a long gap is a long dead time.
const reversalsWanted = 3

func (c *Chart) captured(a, b turns) string {
	switch {
	case a.count+b.count == 0:
		return ""
	case a.reversal || b.reversal:
		return fmt.Sprintf("%d changeovers at reversals", a.count+b.count)
	}
	return fmt.Sprintf("%d changeovers while chopping", a.count+b.count)
}

// overlap is the worst stretch with both gates above the threshold, anywhere.
func (c *Chart) overlap(leg string) (m waveform.Measure, where string) {
	m.Undecided = "no overlap"
	for _, t := range c.timings[leg] {
		if t.Overlaps > 0 && (!m.Known() || t.WorstOverlap.Value > m.Value) {
			m, where = t.WorstOverlap, t.where
		}
	}
	if m.Known() && math.IsNaN(m.Value) {
		m.Undecided = "no overlap"
	}
	return m, where
}

func (c *Chart) noTurns(name, subject, leg string) verdict.Check {
	if c.family.Modulation.DeadTime.Seen == "reversal" {
		for _, t := range c.timings[leg] {
			if t.reversal {
				return c.plain(name, subject, verdict.Undecided, "at the reversal the two gates did not take turns: "+t.Reason, "trigger on the reversal of the reference")
			}
		}
		return c.plain(name, subject, verdict.NotShown,
			"with one side chopped the two gates of a leg do not take turns while a Hall state is held, and no reversal was captured", "capture the reversal of the reference, triggered")
	}
	if len(c.timings[leg]) == 0 {
		return c.plain(name, subject, verdict.NotShown, "the leg's two gates were not captured together in a short record", "capture both gates of the leg at once")
	}
	return c.plain(name, subject, verdict.Undecided, "the two gates of the leg never took turns", "look at the gate pattern first")
}
