package gates

import (
	"fmt"
	"math"
	"slices"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/waveform"
)

// Judge says what the chart comes to. It may be called again when more is known.
func (c *Chart) Judge(k Circumstances) Result {
	base := c.expect()
	rows := c.rows(base, k)
	d := &diagnosis{chart: c, rows: rows, base: base, around: k}
	var r Result
	for _, s := range c.states {
		r.Chart.Columns = append(r.Chart.Columns, c.column(s))
	}
	for _, row := range rows {
		r.Chart.Rows = append(r.Chart.Rows, c.chartRow(row))
		r.Checks = append(r.Checks, c.channelChecks(row)...)
	}
	for _, leg := range c.family.Bridge.Legs {
		check, chartLeg := c.deadTime(leg)
		r.Chart.Legs = append(r.Chart.Legs, chartLeg)
		r.Checks = append(r.Checks, check)
	}
	r.Beside = c.beside(rows, r.Checks)
	r.Findings = d.findings(r.Checks)
	for _, t := range c.topics() {
		check, findings := c.quietCheck(t)
		r.Checks = append(r.Checks, check)
		r.Findings = append(r.Findings, findings...)
	}
	d.nameParts(r.Checks)
	return r
}

// Silent lists the channels that never moved although they should have, and whose level does not prove that the probe is on
// them. Put the probe on each one's driver supply, see it there, and give the readings to Judge.
func (c *Chart) Silent() []string {
	var names []string
	for _, r := range c.rows(c.expect(), Circumstances{}) {
		if r.silent {
			names = append(names, r.channel.Name)
		}
	}
	return names
}

func (c *Chart) rows(base expectation, k Circumstances) []*channelRow {
	var rows []*channelRow
	for _, ch := range c.channels {
		r := c.row(ch, base)
		c.listen(r, k)
		rows = append(rows, r)
	}
	c.compare(rows)
	c.widths(rows)
	return rows
}

func (c *Chart) channelChecks(r *channelRow) []verdict.Check {
	rise := func(p waveform.Pulses) waveform.Measure { return p.Rise }
	fall := func(p waveform.Pulses) waveform.Measure { return p.Fall }
	timing := c.pulseTiming(r, r)
	timed := c.summary("pulse timing", r, timing, "it was not seen to chop")
	if len(timing) == 0 && r.never() && r.hidden == "" {
		timed = c.plain("pulse timing", r.channel.Name, verdict.NotApplicable, "the family's patterns never chop this channel", "")
	}
	checks := []verdict.Check{
		c.patternCheck(r),
		c.summary("gate level on", r, c.onLevels(r), "it was never seen on"),
		c.summary("gate level off", r, c.offLevels(r), "it was never seen off"),
		timed,
		c.edges(r, "rise time", rise, c.family.Gate.Rise),
		c.edges(r, "fall time", fall, c.family.Gate.Fall),
		c.missingPulses(r),
	}
	if r.never() { // a channel that only stands on or off has edges between the Hall states, which are not captured
		for i, name := range []string{"rise time", "fall time"} {
			if k := &checks[4+i]; k.Outcome == verdict.NotShown && r.hidden == "" && c.family.Gate.Load > 0 && k.Reading == nil {
				*k = c.plain(name, r.channel.Name, verdict.NotApplicable, "the family's patterns never chop this channel", "")
			}
		}
	}
	return checks
}

// listen decides whether a channel that never moves was seen at all.
func (c *Chart) listen(r *channelRow, k Circumstances) {
	if r.hidden != "" || len(r.cells) == 0 {
		return
	}
	wrong := false
	for _, x := range r.cells {
		p, _ := x.coarse()
		if p.Kind != waveform.Constant || x.found.unclear != "" || x.found.pattern != drive.Off {
			return
		}
		wrong = wrong || x.wrong() || x.expected == ""
	}
	if !wrong || c.biased(r) {
		return
	}
	name := r.channel.Name
	volts, measured := k.OnRail[name]
	switch {
	case measured && math.Abs(float64(volts)) >= float64(c.family.Gate.On.Low)/2:
		return
	case slices.Contains(k.BadRails, r.channel.Rail), measured && k.Proven[name]:
		return
	case measured:
		r.change = "see the probe alive on a supply that is known to be there, before and after; "
		r.why = fmt.Sprintf("it never moves, and on its driver's supply %s reads %v: the probe is off, or rail %s is missing", c.probe(name), volts, r.channel.Rail)
		r.change += fmt.Sprintf("measure rail %s with the meter", r.channel.Rail)
	default:
		r.why = fmt.Sprintf("it never moves, and nothing shows that %s is on it", c.probe(name))
		r.change = fmt.Sprintf("put %s on the driver's supply (driver:%s), see it there, then back on the gate", c.probe(name), name)
	}
	r.silent = true
}

// biased says that the gate is held at its negative bias: that can only be seen with the probe on it.
func (c *Chart) biased(r *channelRow) bool {
	if c.family.Gate.Off.High >= 0 {
		return false
	}
	off := r.typical().off
	return off < float64(c.family.Gate.Off.High)/2-float64(c.sight.Accuracy)
}

// nameParts gives the failed checks of a channel the part that the findings name for it.
func (d *diagnosis) nameParts(checks []verdict.Check) {
	for i := range checks {
		if k := &checks[i]; k.Outcome == verdict.Fail && k.Part == "" {
			k.Part = d.parts[k.Name+"/"+k.Subject]
		}
	}
}
