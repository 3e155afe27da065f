package gates

import (
	"fmt"
	"strings"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// cell is one channel at one state, seen and expected.
type cell struct {
	*sighting
	state    state
	column   string
	expected drive.Pattern // empty where nothing is expected: modulation unknown and no six-step pattern fits
	found    shown
	match    bool
}

// channelRow is one channel over all states that were visited.
type channelRow struct {
	channel  drive.Channel
	cells    []*cell
	unseen   []string // columns that were not captured
	hidden   string   // why this bench cannot show it
	silent   bool     // never moved, and its probe was not seen to be on it
	why      string   // of silent, in words
	change   string
	siblings *siblings // for a family without data
	// usualWidth is the pulse width of the siblings in seconds, by pattern.
	usualWidth map[drive.Pattern]float64
}

// wasOn says whether the channel was meant to be on, or was, at some time in the cell.
func (x *cell) wasOn() bool {
	p, _ := x.fine()
	if p.Kind == waveform.Pulsing {
		return x.expected != drive.Off || x.found.pattern != drive.Off
	}
	return x.found.unclear == "" && x.found.pattern == drive.On
}

func (x *cell) wrong() bool { return x.found.unclear == "" && x.expected != "" && !x.match }

// at says in the grade where it was seen.
func (x *cell) at(c *Chart, g grade) grade {
	if g.Outcome == verdict.Pass || g.Outcome == verdict.NotApplicable {
		return g
	}
	where := "at " + c.column(x.state)
	if g.Reason != "" {
		where += ": " + g.Reason
	}
	g.Reason = where
	return g
}

// row puts together what was seen of a channel and what was expected.
func (c *Chart) row(ch drive.Channel, expected expectation) *channelRow {
	r := &channelRow{channel: ch, hidden: c.hidden(ch.Name)}
	for _, s := range c.states {
		seen, ok := c.sightings[ch.Name][s]
		if !ok || !seen.hasShort && !seen.hasLong {
			r.unseen = append(r.unseen, c.column(s))
			continue
		}
		x := &cell{sighting: seen, state: s, column: c.column(s), expected: expected.of(s, ch.Name)}
		x.found = c.pattern(seen, x.expected)
		x.match = x.found.unclear == "" && c.same(x.found.pattern, x.expected)
		r.cells = append(r.cells, x)
	}
	return r
}

// patternCheck says whether the channel fires where it should and nowhere else.
func (c *Chart) patternCheck(r *channelRow) verdict.Check {
	const name = "gate pattern"
	subject := r.channel.Name
	switch {
	case r.hidden != "":
		return c.plain(name, subject, verdict.NotShown, r.hidden, "")
	case len(r.cells) == 0:
		return c.plain(name, subject, verdict.NotShown, "it was not captured", "put a probe on it")
	case r.silent:
		return c.plain(name, subject, verdict.Undecided, r.why, r.change)
	}
	var wrong, unclear []string
	change, blind := "", false
	for _, x := range r.cells {
		switch {
		case x.found.unclear != "":
			unclear = append(unclear, fmt.Sprintf("at %s %s", x.column, x.found.unclear))
			change = x.found.change
		case x.expected == "":
			blind = true
		case !x.match:
			wrong = append(wrong, x.says())
		}
	}
	switch {
	case len(wrong) > 0:
		k := c.plain(name, subject, verdict.Fail, few(wrong), "")
		return k
	case len(unclear) > 0:
		return c.plain(name, subject, verdict.Undecided, few(unclear), change)
	case blind:
		return c.plain(name, subject, verdict.Undecided, "the pattern is not known and no six-step commutation fits what the channels show",
			"a family file for this drive")
	case len(r.unseen) > 0:
		return c.plain(name, subject, verdict.NotShown, "not captured at "+few(r.unseen), "capture all Hall states and directions")
	}
	return c.plain(name, subject, verdict.Pass, "", "")
}

func (x *cell) says() string {
	s := fmt.Sprintf("at %s %s instead of %s", x.column, x.found.pattern, x.expected)
	if x.found.remark != "" {
		s += " (" + x.found.remark + ")"
	}
	return s
}

// few names the first of many.
func few(parts []string) string {
	const most = 3
	if len(parts) <= most {
		return strings.Join(parts, "; ")
	}
	return fmt.Sprintf("%s; and %d more", strings.Join(parts[:most], "; "), len(parts)-most)
}

// chartRow is the row as it stands in the record.
func (c *Chart) chartRow(r *channelRow) event.ChartRow {
	row := event.ChartRow{Channel: r.channel.Name}
	byState := map[state]*cell{}
	for _, x := range r.cells {
		byState[x.state] = x
	}
	for _, s := range c.states {
		row.Cells = append(row.Cells, c.chartCell(r, byState[s]))
	}
	return row
}

func (c *Chart) chartCell(r *channelRow, x *cell) event.ChartCell {
	switch {
	case r.hidden != "":
		return event.ChartCell{Outcome: verdict.NotShown, Reason: r.hidden}
	case x == nil:
		return event.ChartCell{Outcome: verdict.NotShown, Reason: "not captured"}
	}
	out := event.ChartCell{Expected: string(x.expected), Found: string(x.found.pattern), Reason: x.found.remark}
	p, _ := x.fine()
	if p.Kind == waveform.Pulsing {
		out.Low, out.High = quantity.Volts(p.Low.Value), quantity.Volts(p.High.Value)
		out.Period, out.Duty = quantity.Seconds(p.Period.Value), quantity.Ratio(p.Duty.Value)
	} else {
		out.Low, out.High = quantity.Volts(p.Level.Value), quantity.Volts(p.Level.Value)
	}
	switch {
	case x.found.unclear != "":
		out.Found, out.Outcome, out.Reason = "unclear", verdict.Undecided, x.found.unclear
	case r.silent && !x.match:
		out.Outcome, out.Reason = verdict.Undecided, r.why
	case x.expected == "":
		out.Outcome, out.Reason = verdict.Undecided, "nothing is known of what it should show"
	case !x.match:
		out.Outcome = verdict.Fail
	default:
		out.Outcome = verdict.Pass
		if w, ok := worst(c.cellGrades(r, x)); ok && rank(w.Outcome) > rank(verdict.Pass) {
			out.Outcome, out.Reason = w.Outcome, w.Name+": "+w.Reason
		}
	}
	return out
}

// cellGrades are the levels and the timing of a single cell.
func (c *Chart) cellGrades(r *channelRow, x *cell) []grade {
	one := &channelRow{channel: r.channel, cells: []*cell{x}, siblings: r.siblings}
	grades := append(c.onLevels(one), c.offLevels(one)...)
	return append(grades, c.pulseTiming(one, r)...)
}
