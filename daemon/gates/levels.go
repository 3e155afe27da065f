package gates

import (
	"fmt"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// onLevels grades every on level that a channel showed, with the end of the pulse and the overshoot.
func (c *Chart) onLevels(row *channelRow) []grade {
	const name = "gate level on"
	var grades []grade
	band := c.onBand(row)
	for _, cell := range row.cells {
		p, ok := cell.fine()
		if !ok || !cell.wasOn() {
			continue
		}
		m := p.Level
		if p.Kind == waveform.Pulsing {
			m = p.High
		}
		grades = append(grades, cell.at(c, c.against(name, row.channel.Name, m, quantity.Volt, band)))
		if p.Kind != waveform.Pulsing {
			continue
		}
		if fallen := cell.sag.fallen; fallen.Known() && fallen.Value > fallen.U {
			g := c.against(name, row.channel.Name, cell.sag.end, quantity.Volt, band)
			if g.Outcome != verdict.Pass {
				g.Reason = fmt.Sprintf("at the end of the on time the level has fallen by %v", volts(fallen.Value))
			}
			grades = append(grades, cell.at(c, g))
		}
		if limit := c.family.Gate.Overshoot; limit > 0 {
			if g := c.against(name, row.channel.Name, p.Overshoot, quantity.Percent, atMost(limit)); g.Outcome == verdict.Fail {
				g.Reason = fmt.Sprintf("%s, it overshoots by %s of its swing", ringing, overshoot(p.Overshoot))
				grades = append(grades, cell.at(c, g))
			}
		}
	}
	return grades
}

// ringing marks an overshoot in a reason.
const ringing = "ringing"

func overshoot(m waveform.Measure) string {
	if m.Known() {
		return about(m.Value, quantity.Percent)
	}
	return "at least " + about(m.AtLeast, quantity.Percent)
}

// offLevels grades every off level that a channel showed.
func (c *Chart) offLevels(row *channelRow) []grade {
	const name = "gate level off"
	var grades []grade
	band := c.offBand(row)
	for _, cell := range row.cells {
		p, ok := cell.fine()
		if !ok {
			continue
		}
		m := p.Level
		switch {
		case p.Kind == waveform.Pulsing && cell.found.pattern == drive.Off:
			m = p.High // pulses that never reach the threshold: it is not held off firmly
		case p.Kind == waveform.Pulsing:
			m = p.Low
		case cell.found.pattern != drive.Off:
			continue
		}
		grades = append(grades, cell.at(c, c.against(name, row.channel.Name, m, quantity.Volt, band)))
	}
	return grades
}

// onBand is the family's band, and where the family has no data of its own the siblings' inside it.
func (c *Chart) onBand(row *channelRow) limits {
	return row.siblings.narrow(c.family.Gate.On, func(s *siblings) float64 { return s.onLevel })
}

func (c *Chart) offBand(row *channelRow) limits {
	return row.siblings.narrow(c.family.Gate.Off, func(s *siblings) float64 { return s.offLevel })
}

// summary makes one check of a channel's grades; none is "not shown".
func (c *Chart) summary(name string, row *channelRow, grades []grade, none string) verdict.Check {
	if row.hidden != "" {
		return c.plain(name, row.channel.Name, verdict.NotShown, row.hidden, "")
	}
	w, ok := worst(grades)
	if !ok {
		o := verdict.NotShown
		if row.silent {
			o = verdict.Undecided
		}
		return c.plain(name, row.channel.Name, o, none, row.change)
	}
	return w.Check
}
