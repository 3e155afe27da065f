package gates

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// legs explains dead times out of limits and overlaps.
func (d *diagnosis) legs(checks []verdict.Check) {
	_, timing := d.failed(checks, "pulse timing")
	_, rise := d.failed(checks, "rise time")
	_, fall := d.failed(checks, "fall time")
	_, on := d.failed(checks, "gate level on")
	before := len(d.out)
	for _, leg := range d.chart.family.Bridge.Legs {
		check, _ := d.chart.deadTime(leg)
		if check.Outcome != verdict.Fail {
			continue
		}
		high, low := d.chart.family.Leg(leg)
		if part := cmp.Or(d.parts["gate pattern/"+high], d.parts["gate pattern/"+low]); part != "" && (d.wrong(high) || d.wrong(low)) {
			d.parts["dead time/leg "+leg] = part // what the two gates do together follows from their pattern
			continue
		}
		f := d.leg(leg)
		if culprit := cmp.Or(blame(high, rise, fall, timing, on), blame(low, rise, fall, timing, on)); culprit != "" {
			d.eaten[culprit] = " " + f.Text
			d.parts["dead time/leg "+leg] = "gate driver of " + culprit
			continue
		}
		for _, channel := range []string{high, low} {
			k, wrong := timing[channel]
			if !wrong || !strings.Contains(k.Reason, widthWord) {
				continue
			}
			d.told[channel] = true
			if k.Low != nil && number(k) < k.Low.Number && f.Part == delayed(channel) {
				f.Subject = channel
				f.Text = fmt.Sprintf("%s gives narrow pulses (%s): its switching on is delayed, as an aged coupler does it. %s", channel, reading(k), f.Text)
			}
			d.parts["pulse timing/"+channel] = f.Part
		}
		d.say(f, "dead time", "leg "+leg)
	}
	d.allLegs(before)
}

// allLegs makes one finding of those of the single legs where every leg has lost its dead time in the same way.
func (d *diagnosis) allLegs(before int) {
	own := d.out[before:]
	legs := d.chart.family.Bridge.Legs
	if len(own) < 2 || len(own) < len(legs) {
		return
	}
	var texts []string
	for _, f := range own {
		if !strings.HasPrefix(f.Part, deadTimeOf) {
			return
		}
		texts = append(texts, f.Text)
	}
	f := event.Finding{Subject: "dead time", Part: "dead time generator of the control section", Do: own[0].Do,
		Text: "The dead time is wrong on every leg. " + strings.Join(texts, " ")}
	d.out = append(d.out[:before], f)
	for _, leg := range legs {
		d.parts["dead time/leg "+leg] = f.Part
	}
}

// deadTimeOf is the part where both changeovers of a leg are wrong alike; the leg's name follows.
const deadTimeOf = "dead time of leg "

func (d *diagnosis) wrong(channel string) bool {
	return slices.ContainsFunc(d.rowOf(channel).cells, (*cell).wrong)
}

// blame gives the channel back if its slow edges, its jitter or its ringing spoil the timing of its leg.
func blame(channel string, rise, fall, timing, on map[string]verdict.Check) string {
	_, up := rise[channel]
	_, down := fall[channel]
	if up || down || strings.Contains(timing[channel].Reason, jitterWord) || strings.Contains(on[channel].Reason, ringing) {
		return channel
	}
	return ""
}

// delayed is the part that delays one channel.
func delayed(channel string) string { return "coupler or gate driver of " + channel }

func (d *diagnosis) leg(leg string) event.Finding {
	c := d.chart
	high, low := c.family.Leg(leg)
	highLow, lowHigh := c.turns(leg)
	limits := c.family.Modulation.DeadTime
	f := event.Finding{Subject: "leg " + leg, Part: deadTimeOf + leg}
	blames := func(k turns) string { // which channel's delay would make this changeover wrong
		if k.name == highLow.name {
			return fmt.Sprintf("%s goes off late or %s comes early", high, low)
		}
		return fmt.Sprintf("%s goes off late or %s comes early", low, high)
	}
	overlapping := func(k turns) bool { return k.overlaps > 0 && k.shortest.Value < 0 }
	tooShort := func(k turns) bool { return k.count > 0 && k.shortest.Value+k.shortest.U < float64(limits.Shortest) }
	tooLong := func(k turns) bool {
		longest := k.longest
		if k.reversal {
			longest = k.shortest
		}
		return k.count > 0 && longest.Value-longest.U > float64(limits.Longest)
	}
	overlap, where := c.overlap(leg)
	const danger = " With devices fitted the bus would be shorted through the leg."
	switch {
	case overlapping(highLow) != overlapping(lowHigh) && highLow.count > 0 && lowHigh.count > 0:
		k := highLow
		if overlapping(lowHigh) {
			k = lowHigh
		}
		f.Part = fmt.Sprintf("gate driver of %s or of %s", high, low)
		f.Text = fmt.Sprintf("Leg %s overlaps on one edge only, from %s, by %v (the other changeover is right): %s.%s", leg, k.name,
			seconds(-k.shortest.Value), blames(k), danger)
		f.Do = "Compare both channels' delays from driver input to gate: coupler or driver of one of the two."
	case overlapping(highLow) || overlapping(lowHigh):
		f.Text = fmt.Sprintf("Leg %s has no dead time: both gates are on together for %v.%s", leg, seconds(overlap.Value), danger)
		f.Do = "Look at the dead time generator (its RC or its setting) and at the inputs of both drivers; fit no devices."
	case overlap.Known() && overlap.Value > 0:
		f.Text = fmt.Sprintf("Both gates of leg %s are on together for %v (%s).%s", leg, seconds(overlap.Value), where, danger)
		f.Do = "Look at the gate pattern of both channels first: one may be stuck on, or the probes are exchanged."
		f.Part = fmt.Sprintf("gate driver of %s or of %s", high, low)
	case late(highLow, lowHigh, limits):
		return d.lateChannel(high, low, limits, highLow, lowHigh)
	case late(lowHigh, highLow, limits):
		return d.lateChannel(low, high, limits, highLow, lowHigh)
	case tooShort(highLow) || tooShort(lowHigh):
		missing := math.Min(positive(highLow), positive(lowHigh)) < float64(limits.Shortest)/10
		word := "too short"
		if missing {
			word = "missing"
		}
		f.Text = fmt.Sprintf("The dead time of leg %s is %s: %s; the family allows %v to %v.%s", leg, word, bothTurns(highLow, lowHigh), limits.Shortest, limits.Longest, danger)
		f.Do = "Look at the dead time generator (its RC or its setting); then compare both channels' delays."
		if tooShort(highLow) != tooShort(lowHigh) && highLow.count > 0 && lowHigh.count > 0 {
			k := highLow
			if tooShort(lowHigh) {
				k = lowHigh
			}
			f.Text += fmt.Sprintf(" Only the changeover from %s is wrong: %s.", k.name, blames(k))
		}
	case tooLong(highLow) || tooLong(lowHigh):
		f.Text = fmt.Sprintf("The dead time of leg %s is too long: %s; the family allows %v to %v.", leg, bothTurns(highLow, lowHigh), limits.Shortest, limits.Longest)
		f.Do = "Look at the dead time generator (its RC or its setting); then at a delayed driver or coupler."
		if tooLong(highLow) != tooLong(lowHigh) && highLow.count > 0 && lowHigh.count > 0 {
			slow := high
			if tooLong(highLow) {
				slow = low
			}
			f.Part = delayed(slow)
			f.Text += fmt.Sprintf(" Only one changeover is wrong: %s comes late.", slow)
		}
	default:
		f.Text = fmt.Sprintf("The dead time of leg %s is wrong: %s.", leg, bothTurns(highLow, lowHigh))
	}
	return f
}

// late says that the side which hands over at the first changeover is late on both edges: the first gap is short, and the other
// is long by about as much. Half of the allowed width is taken for "about" (common practice, no source).
func late(gives, takes turns, limits drive.DeadTime) bool {
	if gives.count == 0 || takes.count == 0 {
		return false
	}
	usual := float64(limits.Shortest+limits.Longest) / 2
	short, long := usual-gives.shortest.Value, takes.shortest.Value-usual
	return gives.shortest.Value < float64(limits.Shortest) && long > 0 && math.Abs(short-long) < float64(limits.Longest-limits.Shortest)/2
}

func (d *diagnosis) lateChannel(channel, sibling string, limits drive.DeadTime, ks ...turns) event.Finding {
	return event.Finding{Subject: channel, Part: delayed(channel),
		Text: fmt.Sprintf("%s is late on both edges: the dead time is %s (the family allows %v to %v). With devices fitted the leg would conduct on both sides.",
			channel, bothTurns(ks...), limits.Shortest, limits.Longest),
		Do: fmt.Sprintf("Compare the delay from driver input to gate with that of %s; change the coupler or the driver.", sibling)}
}

func positive(k turns) float64 {
	if k.count == 0 {
		return math.Inf(1)
	}
	return k.shortest.Value
}

func bothTurns(ks ...turns) string {
	var parts []string
	for _, k := range ks {
		if k.count > 0 {
			parts = append(parts, fmt.Sprintf("from %s %v", k.name, seconds(k.shortest.Value)))
		}
	}
	return strings.Join(parts, ", ")
}

// oddShare is how far a channel's typical value may lie from the median of its siblings before it is worth a word although
// it is within limits (common practice, no source).
const oddShare = 0.5

// odd names channels that are within their limits but unlike their siblings: often the next to fail.
func (d *diagnosis) odd(checks []verdict.Check) {
	g := d.chart.family.Gate
	measures := []struct {
		check, what string
		of          func(typical) float64
		allowed     func(usual float64) float64
		unit        quantity.Unit
	}{
		{"gate level on", "on level", func(t typical) float64 { return t.on }, func(float64) float64 { return oddShare * float64(g.On.High-g.On.Low) }, quantity.Volt},
		{"gate level off", "off level", func(t typical) float64 { return t.off }, func(float64) float64 { return oddShare * float64(g.Off.High-g.Off.Low) }, quantity.Volt},
		{"rise time", "rise time", func(t typical) float64 { return t.rise }, func(u float64) float64 { return oddShare * u }, quantity.Second},
		{"fall time", "fall time", func(t typical) float64 { return t.fall }, func(u float64) float64 { return oddShare * u }, quantity.Second},
	}
	failed := map[string]bool{}
	for _, k := range checks {
		if k.Outcome == verdict.Fail {
			failed[k.Subject] = true
		}
	}
	for _, r := range d.rows {
		if failed[r.channel.Name] || r.silent || r.hidden != "" {
			continue
		}
		for _, m := range measures {
			own := m.of(r.typical())
			rule := usual(d.rows, m.of)
			if !(math.Abs(own-rule) > m.allowed(rule)) { // NaN is no difference
				continue
			}
			d.out = append(d.out, event.Finding{Subject: r.channel.Name,
				Text: fmt.Sprintf("%s is unlike its siblings: %s %v, the others %v. It is within its limits.", r.channel.Name, m.what,
					about(own, m.unit), about(rule, m.unit)),
				Do: "Compare the parts of this channel with those of its neighbours."})
		}
	}
}
