package hand

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scope"
	"benchwarden/instruments/tracefile"
	"benchwarden/instruments/waveform"
)

// sayings are what a person has said about a scope's files, since the files do not: it holds for the files that follow.
type sayings struct {
	options tracefile.Options         // unit and unit of time
	columns map[string]map[int]string // by the names of a file's traces: the trace of each channel
}

func newSayings() sayings { return sayings{columns: map[string]map[int]string{}} }

// take reads the files that an answer names, and holds them against what was asked for. An unfit one is asked for again.
func (s *Scope) take(ctx context.Context, answer string) error {
	names, err := s.stick.names(answer)
	if err != nil {
		return err
	}
	var all []tracefile.Channel
	var notes []string
	taken := map[string]string{}
	for _, name := range names {
		path, err := s.stick.fresh(name)
		if err != nil {
			return err
		}
		f, err := s.read(ctx, path)
		if err != nil {
			return err
		}
		if before, twice := s.stick.used[f.SHA256]; twice {
			return unfitf("%s holds what was taken already as %s: export the new capture", name, before)
		}
		taken[f.SHA256] = name
		for _, c := range f.Channels {
			if n := numbered(filepath.Base(name), fileEnd); n > 0 && len(names) > 1 && numbered(c.Trace.Name, traceStart) == 0 {
				c.Trace.Name = fmt.Sprintf("CH%d", n)
			}
			all = append(all, c)
		}
		notes = append(notes, fmt.Sprintf("%s, SHA-256 %s", name, f.SHA256))
		notes = append(notes, f.Notes...)
	}
	traces, said, err := s.assign(ctx, all)
	if err != nil {
		return err
	}
	if err := fit(s.setup, traces); err != nil {
		return err
	}
	maps.Copy(s.stick.used, taken)
	s.traces = traces
	s.asker.Note(fmt.Sprintf("%s, by hand: trace file %s", s.name, strings.Join(append(notes, said...), "; ")))
	return nil
}

// read reads a file and asks for what it does not say. The unit and the unit of time are kept for the files that follow; the time between
// two samples is not, since it changes with the time base.
func (s *Scope) read(ctx context.Context, path string) (*tracefile.File, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, unfitf("%s cannot be read: %v", filepath.Base(path), err)
	}
	options := s.says.options
	for range 4 {
		var f *tracefile.File
		var err error
		if waited := s.asker.Compute(ctx, func() { f, err = tracefile.Read(path, options) }); waited != nil {
			return nil, waited
		}
		if err == nil {
			s.says.options.Unit, s.says.options.TimeUnit = options.Unit, options.TimeUnit
			return f, nil
		}
		var unsaid *tracefile.Unsaid
		if !errors.As(err, &unsaid) {
			return nil, unfitf("%s cannot be used: %v", filepath.Base(path), err)
		}
		q := Question{Role: s.name, Act: "tell|" + unsaid.Flag, Text: fmt.Sprintf("%s does not say %s (%s). Say it: what the scope shows or its manual says.", filepath.Base(path), unsaid.What, unsaid.Why)}
		switch {
		case strings.HasPrefix(unsaid.Flag, "--unit"):
			q.Offers = []string{"V", "mV"}
			options.Unit, err = s.asker.Ask(ctx, q)
		case strings.HasPrefix(unsaid.Flag, "--time-unit"):
			q.Offers = []string{"s", "ms", "us", "ns"}
			options.TimeUnit, err = s.asker.Ask(ctx, q)
		case strings.HasPrefix(unsaid.Flag, "--interval"):
			var v quantity.Value
			v, err = value(ctx, s.asker, q, Between{quantity.Seconds(1e-12).Value(), quantity.Seconds(1).Value()})
			options.Interval = quantity.Seconds(v.Number)
		default:
			return nil, unfitf("%s cannot be used: %v", filepath.Base(path), unsaid)
		}
		if err != nil {
			return nil, err
		}
	}
	return nil, unfitf("%s does not say enough to be used", filepath.Base(path))
}

// How exports name what came from a channel: "CH1", "C1 (V)", "Channel 1", and a file of each channel's own: "0007-ch1.csv".
var (
	traceStart = regexp.MustCompile(`(?i)^\W*(?:channel|chan|ch|c|input|trace)[ ._-]*([1-9])(?:\D|$)`)
	fileEnd    = regexp.MustCompile(`(?i)(?:channel|chan|ch|c)[ ._-]*([1-9])\.[a-z]+$`)
)

// numbered is the channel that a name names; 0 where it names none.
func numbered(name string, by *regexp.Regexp) int {
	m := by.FindStringSubmatch(name)
	if m == nil {
		return 0
	}
	n, _ := strconv.Atoi(m[1])
	return n
}

// assign finds the trace of each channel that was asked for: by its name, else the person says which it is.
func (s *Scope) assign(ctx context.Context, all []tracefile.Channel) (traces map[int]waveform.Trace, said []string, err error) {
	var names []string
	byName, byNumber := map[string]tracefile.Channel{}, map[int][]string{}
	for _, c := range all {
		if _, twice := byName[c.Trace.Name]; twice {
			return nil, nil, unfitf("two traces are called %s: export what was asked for, and no more", c.Trace.Name)
		}
		names, byName[c.Trace.Name] = append(names, c.Trace.Name), c
		n := numbered(c.Trace.Name, traceStart)
		byNumber[n] = append(byNumber[n], c.Trace.Name)
	}
	wanted := slices.Sorted(maps.Keys(s.setup.Channels))
	if len(names) < len(wanted) {
		return nil, nil, unfitf("it holds %s, and channels %s were asked for: switch them all on and export them all", strings.Join(names, " and "), numbers(wanted))
	}
	key := strings.Join(names, "\n")
	told := maps.Clone(s.says.columns[key])
	if told == nil {
		told = map[int]string{}
	}
	traces = map[int]waveform.Trace{}
	for _, n := range wanted {
		var name string
		switch known := byNumber[n]; {
		case len(known) == 1:
			name = known[0]
		case len(known) > 1:
			return nil, nil, unfitf("%s all say that they are channel %d", strings.Join(known, " and "), n)
		case len(names) == 1 && len(byNumber[0]) == 1:
			name = names[0]
		case len(byNumber[0]) == 0:
			return nil, nil, unfitf("it holds %s and no channel %d: switch it on and export it too", strings.Join(names, " and "), n)
		case told[n] != "":
			name = told[n]
		default:
			text := fmt.Sprintf("The file's traces are %s. Which one is channel %d?", strings.Join(byNumber[0], ", "), n)
			if name, err = s.asker.Ask(ctx, Question{Role: s.name, Act: fmt.Sprintf("tell|channel %d", n), Text: text, Offers: byNumber[0]}); err != nil {
				return nil, nil, fmt.Errorf("%s, by hand: %w", s.name, err)
			}
			if !slices.Contains(byNumber[0], name) {
				return nil, nil, unfitf("%q is none of its traces", name)
			}
			told[n] = name
		}
		c := byName[name]
		if c.Unit != quantity.Volt {
			return nil, nil, unfitf("%s, channel %d, is in %v, not in volts: set the channel to volts", name, n, c.Unit)
		}
		traces[n] = c.Trace
		if told[n] != "" {
			said = append(said, fmt.Sprintf("%s was said to be channel %d", name, n))
		}
	}
	for n, name := range told {
		for m, other := range told {
			if n != m && name == other {
				return nil, nil, unfitf("%s was said to be channel %d and channel %d", name, min(n, m), max(n, m))
			}
		}
	}
	s.says.columns[key] = told
	return traces, said, nil
}

func numbers(list []int) string {
	var texts []string
	for _, n := range list {
		texts = append(texts, strconv.Itoa(n))
	}
	return strings.Join(texts, " and ")
}

// What an export may miss of what was asked for without another one being asked for (practice): records are rounded to what a scope has.
const (
	shorter  = 0.99
	sparser  = 1.01
	coarsest = 64 // steps over the range that was asked for: with 8 bits, four times too wide
)

// fit holds traces against the setting that was asked for.
func fit(c scope.Setup, traces map[int]waveform.Trace) error {
	length, step := float64(c.Points)/float64(c.Rate), 1/float64(c.Rate)
	for _, n := range slices.Sorted(maps.Keys(traces)) {
		t, v := traces[n], c.Channels[n]
		switch has := float64(t.Len()) * float64(t.Step); {
		case float64(t.Step) > sparser*step:
			return unfitf("channel %d has a point every %v, and %v or less were asked for: more points, or a shorter record", n, t.Step, quantity.Seconds(step))
		case has < shorter*length:
			return unfitf("channel %d is %v long, and %v were asked for: a slower time base, or export the whole record and not the screen", n, quantity.Seconds(has), quantity.Seconds(length))
		case v.FullScale/coarsest < t.Resolution():
			return unfitf("channel %d goes in steps of %v: too coarse for %v to %v, set a smaller range", n, t.Resolution(), v.Centre-v.FullScale/2, v.Centre+v.FullScale/2)
		}
	}
	return triggered(c.Trigger, traces)
}

// triggered wants to see the trigger's edge in its channel: else the file is another capture's.
func triggered(trigger scope.Trigger, traces map[int]waveform.Trace) error {
	t, ok := traces[trigger.Channel]
	if !ok {
		return nil
	}
	level := float64(trigger.Level)
	for i := 1; i < t.Len(); i++ {
		rises, falls := t.At(i-1) < level && t.At(i) >= level, t.At(i-1) > level && t.At(i) <= level
		if rises && trigger.Edge != scope.Falling || falls && trigger.Edge != scope.Rising && trigger.Edge != "" {
			return nil
		}
	}
	return unfitf("channel %d never passes the trigger's %v: it is not the capture that was asked for", trigger.Channel, trigger.Level)
}
