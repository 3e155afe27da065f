package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
	"benchwarden/daemon/report"
	"benchwarden/daemon/station"
	"benchwarden/daemon/verdict"
)

func demoCommand(c *console, s *settings) *cobra.Command {
	var out string
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Take simulated drives, one good and some faulty, through the scripts",
		Long: `Take a good drive and some faulty ones through the scripts, each on a simulated bench of its own, all at once. Everything it
shows is simulated. It fails when a drive's outcome is not what its fault implies.`,
		Args: args(0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			settings, err := s.read()
			if err != nil {
				return err
			}
			if out == "" {
				if out, err = os.MkdirTemp("", "benchwarden-demo-"); err != nil {
					return err
				}
			}
			settings.Data = filepath.Join(out, "data")
			settings.Countdown = 1
			return demo(cmd.Context(), c, settings, out)
		},
	}
	cmd.Flags().StringVar(&out, "out", "", "folder for the runs' JSON and the pages (default: a new temporary one)")
	return cmd
}

// treated is what the demo found out about one candidate.
type treated struct {
	candidate
	runs    []report.Run
	pageAt  string
	outcome string
	words   string
	wrong   string // what is not as the fault implies
}

func demo(ctx context.Context, c *console, s Settings, out string) error {
	began := time.Now()
	fmt.Fprintln(c.out, "Quayside Drive Repair, a SIMULATED day: every instrument is simulated, on real sockets; no figure was measured on a drive.")
	for _, u := range scenario {
		fault := u.fault
		if fault == "" {
			fault = "nothing"
		}
		fmt.Fprintf(c.out, "  %s (%s): %s. Wrong in the simulation: %s\n", u.serial, u.family, u.story, fault)
	}
	fmt.Fprintln(c.out)
	screen := &lockedWriter{w: c.out}
	slot := station.NewSlot()
	units := make([]treated, len(scenario))
	group, gctx := errgroup.WithContext(ctx)
	for i, u := range scenario {
		group.Go(func() (err error) {
			units[i], err = treat(gctx, &console{c.in, screen, c.err}, s, out, slot, u)
			if err != nil {
				return fmt.Errorf("unit %s: %w", u.serial, err)
			}
			return nil
		})
	}
	if err := group.Wait(); err != nil {
		return err
	}
	fmt.Fprintf(c.out, "\n%d units in %.0f s\n\n", len(units), time.Since(began).Seconds())
	wrong := summary(c.out, units)
	fmt.Fprintf(c.out, "\npages and JSON: %s\n", out)
	return wrong
}

// treat takes one candidate through the scripts on a simulated bench of its own.
func treat(ctx context.Context, c *console, s Settings, out string, slot station.Slot, u candidate) (treated, error) {
	t := treated{candidate: u}
	o := simulateOptions{family: u.family, name: strings.ToLower(u.serial), seed: u.seed, spread: true,
		benchFile: filepath.Join(out, "benches", u.serial+".yaml")}
	if u.fault != "" {
		o.faults = []string{u.fault}
	}
	sim, err := startSimulation(context.WithoutCancel(ctx), s, o)
	if err != nil {
		return t, err
	}
	defer sim.stop()
	file, err := bench.ReadFile(sim.benchFile)
	if err != nil {
		return t, err
	}
	benches, minded, err := openKept(ctx, s, []*bench.File{file}, event.NewHub(), slot, "demo", nil, nil)
	if err != nil {
		return t, err
	}
	st := benches[0]
	life, stop := context.WithCancel(ctx)
	closed := make(chan error, 1)
	go func() { closed <- st.Run(life) }()

	var runErr error
	for _, script := range demoScripts {
		var run report.Run
		if run, runErr = runOne(ctx, c, st, out, u, script); runErr != nil {
			break
		}
		t.runs = append(t.runs, run)
		if run.Ended.Outcome != string(verdict.Pass) {
			break
		}
	}
	stop()
	if err := errors.Join(runErr, <-closed, minded.Close()); err != nil {
		return t, err
	}
	t.judge()
	return t, t.write(out)
}

// runOne runs one script and tells what happens as it happens.
func runOne(ctx context.Context, c *console, st *station.Station, out string, u candidate, script string) (report.Run, error) {
	running, err := st.Start(station.Order{Script: script, Family: u.family, Unit: u.serial, Operator: "demo"})
	if err != nil {
		return report.Run{}, err
	}
	stopped := context.AfterFunc(ctx, func() { _ = st.Stop("the demo was stopped") })
	defer stopped()
	kept, err := newEventFile(filepath.Join(out, u.serial+"-"+script+".jsonl"))
	if err != nil {
		return report.Run{}, errors.Join(err, st.Stop("the demo cannot write its files"))
	}
	var events []event.Event
	for {
		e, err := running.Events.Next(context.Background()) // ends with the run
		if err != nil {
			break
		}
		if e.Run != running.Run {
			continue
		}
		kept.keep(e)
		teller{out: c.out, prefix: u.serial + "  ", quiet: true, width: hands.Width(c.out)}.tell(e)
		events = append(events, e)
	}
	running.Wait()
	return report.Take(events), kept.close()
}

// judge compares what came out with what the fault implies.
func (t *treated) judge() {
	last := t.runs[len(t.runs)-1]
	t.outcome = last.Ended.Outcome
	t.words = "all scripts passed: gates and bus are good, new devices may be fitted on these checks"
	if t.outcome != string(verdict.Pass) {
		t.words = words(last)
	}
	switch {
	case t.outcome != t.candidate.outcome:
		t.wrong = fmt.Sprintf("came out %s, its fault implies %s: %s", t.outcome, t.candidate.outcome, strings.Join(last.Ended.Reasons, "; "))
	case t.names != "" && !strings.Contains(t.words, t.names):
		t.wrong = fmt.Sprintf("the finding does not name %s", t.names)
	case t.outcome == string(verdict.Pass) && len(t.runs) != len(demoScripts):
		t.wrong = "not all scripts were run"
	}
}

// words is the most telling thing that a run found.
func words(r report.Run) string {
	if len(r.Trips) > 0 {
		return r.Trips[0].Cause + ": " + r.Trips[0].Text
	}
	if len(r.Findings) > 0 {
		f := r.Findings[0]
		if f.Part == "" {
			return f.Text
		}
		return f.Text + "; likely " + f.Part
	}
	for _, check := range r.Checks {
		if check.Outcome == verdict.Fail {
			return checkLine(verdict.Check(check))
		}
	}
	return strings.Join(r.Ended.Reasons, "; ")
}

func (t *treated) write(out string) error {
	t.pageAt = filepath.Join(out, t.serial+".html")
	f, err := os.Create(t.pageAt)
	if err != nil {
		return err
	}
	return errors.Join(report.OfUnit(t.serial, t.family, t.words, t.runs).HTML(f), f.Close())
}

// summary prints the table; the error names every unit whose outcome is not what its fault implies.
func summary(w io.Writer, units []treated) error {
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "unit\tfamily\tscript\toutcome\tfinding")
	var wrong []error
	for _, t := range units {
		last := t.runs[len(t.runs)-1]
		script := strings.TrimSuffix(filepath.Base(last.Script), ".star")
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\n", t.serial, t.family, script, t.outcome, t.words)
		if t.wrong != "" {
			wrong = append(wrong, fmt.Errorf("unit %s: %s", t.serial, t.wrong))
		}
	}
	if err := table.Flush(); err != nil {
		return err
	}
	return errors.Join(wrong...)
}

// lockedWriter lets several units print whole lines.
type lockedWriter struct {
	mu sync.Mutex
	w  io.Writer
}

func (l *lockedWriter) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.w.Write(p)
}
