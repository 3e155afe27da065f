package command

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"benchwarden/daemon/hands"
	"benchwarden/daemon/picture"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/tracefile"
	"benchwarden/instruments/waveform"
)

type traceFlags struct {
	options  tracefile.Options
	interval string
	png, svg string
	plain    bool
	suspect  string
	falling  bool
	around   string
}

func traceCommand(c *console) *cobra.Command {
	var f traceFlags
	cmd := &cobra.Command{
		Use:   "trace FILE...",
		Short: "Read traces that a scope exported, and say what is in them",
		Long: `Read traces that a scope exported as CSV, or a record in the text form of IEEE C37.111 (NAME.cfg beside NAME.dat); print what was
measured in each, with its uncertainty, and a picture. What a file does not say is asked for, never guessed.

With --suspect, one trace is drawn over the band that all the others fill, each aligned at its own edge:

    benchwarden trace four.csv --suspect CH3
    benchwarden trace a.csv b.csv c.csv --suspect c.csv --falling --around 2us`,
		Args: func(_ *cobra.Command, files []string) error {
			if len(files) == 0 {
				return usage("trace needs at least one file")
			}
			return nil
		},
		RunE: func(_ *cobra.Command, files []string) error {
			if f.interval != "" {
				v, err := quantity.ParseAs(f.interval, quantity.Second)
				if err != nil || !(v.Number > 0) {
					return usage("--interval %s: a time between two samples is written like 2ns", f.interval)
				}
				f.options.Interval = quantity.Seconds(v.Number)
			}
			if f.suspect != "" {
				return f.beside(c, files)
			}
			if f.falling || f.around != "" {
				return usage("--falling and --around say how to lay a suspect over the others: name it with --suspect")
			}
			if (f.png != "" || f.svg != "") && len(files) > 1 {
				return usage("a picture is made of one file; %d are named", len(files))
			}
			for i, file := range files {
				if i > 0 {
					fmt.Fprintln(c.out)
				}
				if err := f.show(c, file); err != nil {
					return configFault(err)
				}
			}
			return nil
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&f.interval, "interval", "", "time between two samples, where the file does not say it (2ns)")
	flags.StringVar(&f.options.Unit, "unit", "", "unit of the values, where the file does not say it (mV)")
	flags.StringVar(&f.options.TimeUnit, "time-unit", "", "unit of the times, where the file does not say it (s)")
	flags.StringSliceVar(&f.options.Columns, "column", nil, "only this column, by name or number; may be given again")
	flags.Float64Var(&f.options.Factor, "factor", 0, "what the probe divides by, where the scope did not know it")
	flags.IntVar(&f.options.Skip, "skip", 0, "leave out so many rows of data at the start")
	flags.BoolVar(&f.options.AllRows, "all-rows", false, "keep rows at the ends that look like another record's")
	flags.StringVar(&f.png, "png", "", "write the picture to this file")
	flags.StringVar(&f.svg, "svg", "", "write the picture to this file")
	flags.StringVar(&f.suspect, "suspect", "", "draw this channel, or the one of this file, over the band of the others")
	flags.BoolVar(&f.falling, "falling", false, "with --suspect: align at the falling edge")
	flags.StringVar(&f.around, "around", "", "with --suspect: draw so much before and after the edge (2us); else a whole period")
	flags.BoolVar(&f.plain, "no-picture", false, "print no picture")
	return cmd
}

func (f traceFlags) show(c *console, name string) error {
	file, err := tracefile.Read(name, f.options)
	if err != nil {
		return err
	}
	fmt.Fprintf(c.out, "%s  sha256 %s\n", name, file.SHA256[:16])
	for _, n := range file.Notes {
		fmt.Fprintln(c.out, "  note: "+n)
	}
	for _, ch := range file.Channels {
		fmt.Fprintln(c.out)
		if !f.plain {
			fmt.Fprint(c.out, chartOf("", ch).Terminal(terminalWidth(c.out), 8))
		} else {
			fmt.Fprintln(c.out, ch.Trace.Name)
		}
		t := ch.Trace
		fmt.Fprintf(c.out, "  %d samples, one each %v, from %v on, %v long\n", t.Len(), t.Step, t.Start, t.Duration())
		tellPulses(c.out, waveform.Analyse(t, waveform.Options{}), ch.Unit)
	}
	return f.pictures(file)
}

func terminalWidth(out io.Writer) int {
	return min(cmp.Or(hands.Width(out), 80), 160)
}

// chartOf is the picture of some channels, which share their unit.
func chartOf(title string, channels ...tracefile.Channel) picture.Chart {
	chart := picture.Chart{Title: title, X: picture.Axis{Title: "time", Unit: quantity.Second}}
	for _, ch := range channels {
		chart.Y.Unit = ch.Unit
		chart.Curves = append(chart.Curves, picture.OfTrace(ch.Trace))
	}
	return chart
}

func (f traceFlags) pictures(file *tracefile.File) error {
	for _, ch := range file.Channels {
		if ch.Unit != file.Channels[0].Unit && (f.png != "" || f.svg != "") {
			return fmt.Errorf("%s holds %v and %v: a picture shows one unit; choose with --column", file.Name, file.Channels[0].Unit, ch.Unit)
		}
	}
	return f.draw(chartOf(filepath.Base(file.Name), file.Channels...))
}

// draw writes the picture files that were asked for.
func (f traceFlags) draw(chart picture.Chart) error {
	write := func(path string, draw func(io.Writer, picture.Size) error) error {
		if path == "" {
			return nil
		}
		out, err := os.Create(path)
		if err != nil {
			return fmt.Errorf("picture: %w", err)
		}
		if err := draw(out, picture.Wide); err != nil {
			out.Close()
			return err
		}
		return out.Close()
	}
	if err := write(f.png, chart.PNG); err != nil {
		return err
	}
	return write(f.svg, chart.SVG)
}

// tellPulses prints what an analysis found, a line a quantity.
func tellPulses(out io.Writer, p waveform.Pulses, unit quantity.Unit) {
	line := func(name string, m waveform.Measure, u quantity.Unit) {
		fmt.Fprintf(out, "  %-15s %s\n", name, measured(m, u))
	}
	switch p.Kind {
	case waveform.Constant:
		line("constant level", p.Level, unit)
	case waveform.Unclear:
		fmt.Fprintf(out, "  undecided: %s; %s\n", p.Reason, p.Change)
	case waveform.Pulsing:
		line("low level", p.Low, unit)
		line("high level", p.High, unit)
		line("amplitude", p.Amplitude, unit)
		line("frequency", p.Frequency, quantity.PerSecond)
		line("duty", p.Duty, quantity.Percent)
		line("pulse width", p.PulseWidth, quantity.Second)
		line("rise 10-90 %", p.Rise, quantity.Second)
		line("fall 90-10 %", p.Fall, quantity.Second)
		line("overshoot", p.Overshoot, quantity.Percent)
		line("undershoot", p.Undershoot, quantity.Percent)
		line("period jitter", p.Jitter, quantity.Second)
		fmt.Fprintf(out, "  %-15s %d rising, %d falling, %d whole pulses\n", "edges", p.Rises, p.Falls, p.Count)
	}
	fmt.Fprintf(out, "  %-15s %v to %v", "extremes", quantity.Value{Number: p.Min, Unit: unit}, quantity.Value{Number: p.Max, Unit: unit})
	if p.Clipped > 0 {
		fmt.Fprintf(out, ", %d samples clipped", p.Clipped)
	}
	fmt.Fprintln(out)
}

// measured writes a measure to the digits that its uncertainty leaves, or why there is none.
func measured(m waveform.Measure, unit quantity.Unit) string {
	at := func(x float64) quantity.Value { return quantity.Value{Number: x, Unit: unit} }
	if m.Known() {
		return fmt.Sprintf("%s ± %s", quantity.Digits(at(m.Value), m.U), quantity.Digits(at(m.U), m.U))
	}
	parts := []string{"undecided: " + m.Undecided}
	if m.AtMost > 0 && !strings.Contains(m.Undecided, "at most") {
		parts = append(parts, fmt.Sprintf("at most %v", at(m.AtMost)))
	}
	if m.AtLeast > 0 {
		parts = append(parts, fmt.Sprintf("at least %v", at(m.AtLeast)))
	}
	if m.Change != "" {
		parts = append(parts, m.Change)
	}
	return strings.Join(parts, "; ")
}
