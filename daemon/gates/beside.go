package gates

import (
	"slices"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// Beside is a suspect channel with its siblings in the same pattern: each a pulse, or an edge, that stands at time zero. A trace
// without an edge begins with the others. The traces carry the names of their channels.
type Beside struct {
	Check   string // what the channel is suspected for
	Suspect waveform.Trace
	Others  []waveform.Trace // two at least
}

// mostBeside is how many suspects are shown; a board with more has another fault than theirs.
const mostBeside = 4

// beforeEdge is how much of a period is shown before the edge, and keptPeriods how much of a record is kept, so that it holds an
// edge with so much before it and a whole period after.
const beforeEdge, keptPeriods = 0.1, 2.3

// sample keeps the begin of a short capture, for pictures.
func (c *Chart) sample(short waveform.Trace, p waveform.Pulses) waveform.Trace {
	return short.Section(short.Start, short.Start+keptPeriods*c.period(p))
}

func (c *Chart) period(p waveform.Pulses) quantity.Seconds {
	if p.Period.Known() {
		return quantity.Seconds(p.Period.Value)
	}
	return quantity.Seconds(1 / float64(c.family.Modulation.Frequency))
}

// compared are the checks that a picture beside the siblings explains, the one that tells most first.
var compared = []string{"gate pattern", "rise time", "fall time", "gate level on", "gate level off", "pulse timing"}

// beside lays each suspect channel beside those that are not.
func (c *Chart) beside(rows []*channelRow, checks []verdict.Check) []Beside {
	suspected := map[string]string{}
	for _, name := range slices.Backward(compared) {
		for _, k := range checks {
			if k.Name == name && k.Outcome == verdict.Fail {
				suspected[k.Subject] = name
			}
		}
	}
	var sound []*channelRow
	for _, r := range rows {
		if r.silent {
			suspected[r.channel.Name] = "gate pattern"
		}
		if suspected[r.channel.Name] == "" && r.hidden == "" {
			sound = append(sound, r)
		}
	}
	var all []Beside
	for _, r := range rows {
		if name := suspected[r.channel.Name]; name != "" && len(all) < mostBeside {
			if b, ok := c.layOver(r, name, sound); ok {
				all = append(all, b)
			}
		}
	}
	return all
}

// layOver takes the first cell that shows what the channel is suspected for, and of each sound channel the first cell that shows the
// same pattern as it should.
func (c *Chart) layOver(r *channelRow, check string, sound []*channelRow) (b Beside, ok bool) {
	i := slices.IndexFunc(r.cells, func(x *cell) bool { return x.hasShort && c.shows(r, x, check) })
	if i < 0 {
		return b, false
	}
	suspect := r.cells[i]
	var others []*cell
	var names []string
	for _, s := range sound {
		like := func(x *cell) bool { return x.hasShort && x.match && x.expected == suspect.expected }
		if k := slices.IndexFunc(s.cells, like); k >= 0 {
			others, names = append(others, s.cells[k]), append(names, s.channel.Name)
		}
	}
	if len(others) < enough-1 {
		return b, false
	}
	before, after := c.window(check, suspect, others)
	rising := check != "fall time"
	b = Beside{Check: check, Suspect: suspect.cut(r.channel.Name, rising, before, after)}
	for k, x := range others {
		b.Others = append(b.Others, x.cut(names[k], rising, before, after))
	}
	return b, true
}

// shows says that a cell alone fails the check.
func (c *Chart) shows(r *channelRow, x *cell, check string) bool {
	one := &channelRow{channel: r.channel, cells: []*cell{x}, siblings: r.siblings, usualWidth: r.usualWidth}
	var grades []grade
	switch check {
	case "gate pattern":
		return x.wrong() || r.silent && x.expected != drive.Off
	case "gate level on":
		grades = c.onLevels(one)
	case "gate level off":
		grades = c.offLevels(one)
	case "pulse timing":
		grades = c.pulseTiming(one, r)
	default:
		for _, k := range c.channelChecks(one) {
			if k.Name == check {
				grades = append(grades, grade{Check: k})
			}
		}
	}
	w, ok := worst(grades)
	return ok && w.Outcome == verdict.Fail
}

// window is what is shown around the edge: of a slow edge itself some times its own length, else a whole period.
func (c *Chart) window(check string, suspect *cell, others []*cell) (before, after quantity.Seconds) {
	edge := func(p waveform.Pulses) float64 { return atLongest(p.Rise) }
	switch check {
	case "fall time":
		edge = func(p waveform.Pulses) float64 { return atLongest(p.Fall) }
		fallthrough
	case "rise time":
		if longest := quantity.Seconds(edge(suspect.short)); longest > 0 {
			return 2 * longest, 3 * longest
		}
	}
	longest := c.period(suspect.short)
	for _, x := range others {
		longest = max(longest, c.period(x.short))
	}
	return beforeEdge * longest, longest
}

// cut is the part of a cell's record that is shown, with the edge at zero.
func (x *cell) cut(name string, rising bool, before, after quantity.Seconds) waveform.Trace {
	t := x.sample
	t.Name = name
	return t.Aligned(x.short, rising, before).Section(-before, after)
}
