package command

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"benchwarden/daemon/picture"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/tracefile"
	"benchwarden/instruments/waveform"
)

// sibling is one channel among those of the like.
type sibling struct {
	tracefile.Channel
	file   string
	pulses waveform.Pulses
}

// beside draws the suspect over the band of all other channels in the files, and tells each figure beside theirs.
func (f traceFlags) beside(c *console, files []string) error {
	var all []sibling
	for _, name := range files {
		file, err := tracefile.Read(name, f.options)
		if err != nil {
			return configFault(err)
		}
		for _, n := range file.Notes {
			fmt.Fprintf(c.out, "%s: note: %s\n", name, n)
		}
		for _, ch := range file.Channels {
			all = append(all, sibling{ch, name, waveform.Analyse(ch.Trace, waveform.Options{})})
		}
	}
	at, err := f.find(all)
	if err != nil {
		return err
	}
	suspect, others := all[at], slices.Delete(slices.Clone(all), at, at+1)
	if len(files) > 1 { // the same column of several exports is told apart by its file
		suspect.Trace.Name = filepath.Base(suspect.file) + " " + suspect.Trace.Name
		for i := range others {
			others[i].Trace.Name = filepath.Base(others[i].file) + " " + others[i].Trace.Name
		}
	}
	for _, o := range others {
		if o.Unit != suspect.Unit {
			return usage("%s is in %v and %s in %v: only what is of one kind can be laid over each other; choose with --column",
				suspect.Trace.Name, suspect.Unit, o.Trace.Name, o.Unit)
		}
	}
	before, after, err := f.window(suspect, others)
	if err != nil {
		return err
	}
	cut := func(s sibling) waveform.Trace {
		return s.Trace.Aligned(s.pulses, !f.falling, before).Section(-before, after)
	}
	var band []waveform.Trace
	for _, o := range others {
		band = append(band, cut(o))
	}
	chart, says := picture.Over(cut(suspect), band, suspect.Unit)
	if !f.plain {
		fmt.Fprint(c.out, chart.Terminal(terminalWidth(c.out), 16))
	}
	fmt.Fprintln(c.out, says)
	tellBeside(c, suspect, others)
	return f.draw(chart)
}

// find looks the suspect up by the name of its column, or of its file where that holds one channel.
func (f traceFlags) find(all []sibling) (int, error) {
	var found []int
	var names []string
	for i, s := range all {
		names = append(names, s.Trace.Name+" of "+filepath.Base(s.file))
		if s.Trace.Name == f.suspect || s.file == f.suspect || filepath.Base(s.file) == f.suspect {
			found = append(found, i)
		}
	}
	switch {
	case len(found) == 0:
		return 0, usage("--suspect %s: there is no such channel or file; there are %s", f.suspect, strings.Join(names, ", "))
	case len(found) > 1:
		return 0, usage("--suspect %s: that is said of %d channels; there are %s. Name the file where the columns are called alike, or choose with --column",
			f.suspect, len(found), strings.Join(names, ", "))
	case len(all) < 3:
		return 0, usage("--suspect %s: of %d channels nobody knows which is the odd one; three or more are needed", f.suspect, len(all))
	}
	return found[0], nil
}

// window is how much is drawn before and after the edge: what was asked for, else one period that begins a little before it.
func (f traceFlags) window(suspect sibling, others []sibling) (before, after quantity.Seconds, err error) {
	if f.around != "" {
		v, err := quantity.ParseAs(f.around, quantity.Second)
		if err != nil || !(v.Number > 0) {
			return 0, 0, usage("--around %s: a time before and after the edge is written like 2us", f.around)
		}
		return quantity.Seconds(v.Number), quantity.Seconds(v.Number), nil
	}
	longest := 0.0
	for _, s := range append(slices.Clone(others), suspect) {
		if s.pulses.Period.Known() {
			longest = max(longest, s.pulses.Period.Value)
		}
	}
	if longest == 0 {
		return 0, 0, usage("no channel shows a whole period: say with --around how much to draw before and after the edge")
	}
	return quantity.Seconds(0.1 * longest), quantity.Seconds(longest), nil
}

// tellBeside prints each figure of the suspect with the least and the most of the others, and marks what is odd among them.
func tellBeside(c *console, suspect sibling, others []sibling) {
	for _, figure := range []struct {
		name string
		of   func(waveform.Pulses) waveform.Measure
		unit quantity.Unit
	}{
		{"low level", func(p waveform.Pulses) waveform.Measure { return p.Low }, suspect.Unit},
		{"high level", func(p waveform.Pulses) waveform.Measure { return p.High }, suspect.Unit},
		{"frequency", func(p waveform.Pulses) waveform.Measure { return p.Frequency }, quantity.PerSecond},
		{"pulse width", func(p waveform.Pulses) waveform.Measure { return p.PulseWidth }, quantity.Second},
		{"rise 10-90 %", func(p waveform.Pulses) waveform.Measure { return p.Rise }, quantity.Second},
		{"fall 90-10 %", func(p waveform.Pulses) waveform.Measure { return p.Fall }, quantity.Second},
		{"overshoot", func(p waveform.Pulses) waveform.Measure { return p.Overshoot }, quantity.Percent},
	} {
		own := figure.of(suspect.pulses)
		values, u := []float64{own.Value}, []float64{own.U}
		bound := 0.0 // where the others are only known to be at most so much
		for _, o := range others {
			m := figure.of(o.pulses)
			if m.Known() {
				values, u = append(values, m.Value), append(u, m.U)
			}
			bound = max(bound, m.AtMost)
		}
		line := fmt.Sprintf("  %-15s %s", figure.name, measured(own, figure.unit))
		if len(values) > 1 {
			low, high := slices.Min(values[1:]), slices.Max(values[1:])
			digits := slices.Min(u[1:])
			write := func(x float64) string { return quantity.Digits(quantity.Value{Number: x, Unit: figure.unit}, digits) }
			line += fmt.Sprintf("; the others %s to %s", write(low), write(high))
		} else if bound > 0 {
			line += fmt.Sprintf("; the others at most %s", quantity.Digits(quantity.Value{Number: bound, Unit: figure.unit}, bound*0.05))
		}
		if own.Known() && len(values) > 2 && slices.Contains(verdict.OddOneOut(values, u, 0).Who, 0) {
			line += ": odd"
		}
		fmt.Fprintln(c.out, line)
	}
}
