package command

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"os/user"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
	"benchwarden/daemon/station"
)

// runOptions are the flags of run.
type runOptions struct {
	bench, family, unit, job, json, operator, probing string
	here, budget, goOn                                bool
}

func runCommand(c *console, s *settings) *cobra.Command {
	o := &runOptions{}
	cmd := &cobra.Command{
		Use:   "run SCRIPT --bench B (--job J | --family F --unit SERIAL)",
		Short: "Run a test script on a bench",
		Long: `Run a test script on a bench that a daemon serves, or with --here without one.

Nothing energises without an act at the bench. Ctrl-C makes the bench safe before the command ends.
Exit codes: 0 pass, 1 fail, 2 undecided or a needed check not shown, 3 tripped, 4 stopped by a person, 5 broken or
interrupted, 6 NOT SAFE or NOT PROVEN DOWN, 64 usage, 78 configuration.`,
		Args: args(1, "one script"),
		RunE: func(cmd *cobra.Command, given []string) error {
			settings, err := s.read()
			if err != nil {
				return err
			}
			for _, flag := range []struct{ name, value string }{{"bench", o.bench}, {"family", o.family}, {"unit", o.unit}} {
				if flag.value == "" && (flag.name == "bench" || o.job == "") {
					return usage("run: --%s is missing", flag.name)
				}
			}
			script, err := scriptFor(given[0])
			if err != nil {
				return err
			}
			order := station.Order{Script: script, Family: o.family, Unit: o.unit, Job: o.job, Operator: o.operator, ProbeEnergised: o.probing, Continue: o.goOn}
			if o.here {
				return runHere(cmd.Context(), c, settings, o, order)
			}
			return runOnDaemon(cmd.Context(), c, settings, o, order)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.bench, "bench", "", "bench: its name, or with --here its file")
	f.StringVar(&o.family, "family", "", "drive family")
	f.StringVar(&o.unit, "unit", "", "the drive's serial number")
	f.StringVar(&o.job, "job", "", "the job that the run belongs to; family and unit are the job's")
	f.StringVar(&o.json, "json", "", "file for the run's events, one JSON object a line")
	f.StringVar(&o.operator, "operator", operator(), "who runs it")
	f.StringVar(&o.probing, "probe-energised", "", "REASON why probes are moved above 60 V d.c. or on a source that is not isolated; printed on the report with your name")
	f.BoolVar(&o.budget, "budget", false, "say what the uncertainty of each reading is made of, with the test uncertainty ratio")
	f.BoolVar(&o.goOn, "continue", false, "go on with the job's latest run of this script, which was cut off, as a new part")
	f.BoolVar(&o.here, "here", false, "host the bench in this process, without a daemon")
	return cmd
}

// scriptFor makes a script's path whole, since the daemon works in a folder of its own; a bare name is looked up there.
func scriptFor(name string) (string, error) {
	if !strings.ContainsRune(name, filepath.Separator) {
		return name, nil
	}
	return filepath.Abs(name)
}

func operator() string {
	u, err := user.Current()
	if err != nil {
		return "unknown"
	}
	if u.Name != "" {
		return u.Name
	}
	return u.Username
}

// keeper of events for --json; nil keeps none.
type eventFile struct {
	file    *os.File
	encoder *json.Encoder
	err     error
}

func newEventFile(path string) (*eventFile, error) {
	if path == "" {
		return nil, nil
	}
	f, err := os.Create(path)
	if err != nil {
		return nil, fmt.Errorf("--json: %w", err)
	}
	return &eventFile{file: f, encoder: json.NewEncoder(f)}, nil
}

func (f *eventFile) keep(e event.Event) {
	if f != nil && f.err == nil {
		f.err = f.encoder.Encode(e)
	}
}

func (f *eventFile) close() error {
	if f == nil {
		return nil
	}
	return errors.Join(f.err, f.file.Close())
}

// result turns the end of a run into an exit code.
func result(ended *event.RunEnded) error {
	if ended.Exit != station.ExitPass {
		return &exitError{ended.Exit, nil}
	}
	return nil
}

// lost is the end of a run whose daemon went away before it told how the run ended.
func lost(bench string, err error) error {
	return &exitError{station.ExitNotSafe, fmt.Errorf("NOT SAFE: the daemon went away in the middle of the run (%w): outputs may still be on; "+
		"start it again, or run: benchwarden make-safe %s", err, bench)}
}

// runOnDaemon asks the daemon that owns the bench.
func runOnDaemon(ctx context.Context, c *console, s Settings, o *runOptions, order station.Order) error {
	kept, err := newEventFile(o.json)
	if err != nil {
		return err
	}
	api := newClient(s.Socket)
	life, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	stopped := context.AfterFunc(ctx, func() {
		fmt.Fprintln(c.err, "stopping: the bench is being made safe")
		stopCtx, cancel := context.WithTimeout(life, 10*time.Second)
		defer cancel()
		if err := api.stop(stopCtx, o.bench, order.Operator); err != nil {
			fmt.Fprintln(c.err, "benchwarden: stop:", err)
		}
	})
	defer stopped()
	terminal := hands.NewTerminal(c.in, c.out, func(id, text string) error {
		return api.answer(life, o.bench, id, order.Operator, text)
	})
	var began bool
	var ended *event.RunEnded
	group, gctx := errgroup.WithContext(life)
	group.Go(func() error {
		defer stop()
		return api.run(life, o.bench, order, func(e event.Event) {
			began = true
			kept.keep(e)
			teller{out: c.out, budget: o.budget, width: hands.Width(c.out)}.tell(e)
			terminal.Follow(e.Body)
			if b, ok := e.Body.(event.RunEnded); ok {
				ended = &b
			}
		})
	})
	group.Go(func() error { return terminal.Run(gctx) })
	runErr := group.Wait()
	keepErr := kept.close()
	switch {
	case began && ended == nil:
		return lost(o.bench, cmp.Or(runErr, io.ErrUnexpectedEOF))
	case runErr != nil:
		return runErr
	case keepErr != nil:
		return keepErr
	}
	return result(ended)
}

// stationConfig is what stations of this process have in common.
func stationConfig(s Settings, file *bench.File, hub *event.Hub, slot station.Slot, owner string) station.Config {
	return station.Config{
		File: file, Families: s.families(), Dialects: s.dialects(), Scripts: s.scripts(),
		StateDir: stateDir(s, file), Journals: filepath.Join(s.Data, "journals"), Version: version(),
		Countdown: s.Countdown.Duration(), ActWithin: s.ActWithin.Duration(), Slot: slot, Hub: hub, Owner: owner,
	}
}

func stateDir(s Settings, file *bench.File) string {
	if file.State.Dir != "" {
		return file.State.Dir
	}
	return filepath.Join(s.Data, "state")
}

// runHere hosts the bench for one run.
func runHere(ctx context.Context, c *console, s Settings, o *runOptions, order station.Order) error {
	path, err := benchFile(s, o.bench)
	if err != nil {
		return configFault(err)
	}
	file, err := bench.ReadFile(path)
	if err != nil {
		return configFault(err)
	}
	book, desk := jobsOrNone(ctx, c, s)
	var jobs station.Jobs
	if desk != nil {
		defer book.Close()
		takeLeftOver(ctx, c, s, book)
		jobs = desk
	}
	ended, journal, err := host(ctx, c, s, file, jobs, o.json, o.budget, order)
	if err != nil {
		return err
	}
	fmt.Fprintln(c.out, "journal    "+journal)
	return result(ended)
}

// orderFault gives a faulty order its exit code.
func orderFault(err error) error {
	if errors.Is(err, station.ErrOrder) {
		return configFault(err)
	}
	return err
}

// host opens a bench in this process, starts one run on it and tells what happens until it has ended and the bench is closed.
func host(ctx context.Context, c *console, s Settings, file *bench.File, jobs station.Jobs, jsonPath string, budget bool, order station.Order) (ended *event.RunEnded, journal string, err error) {
	kept, err := newEventFile(jsonPath)
	if err != nil {
		return nil, "", err
	}
	hub := event.NewHub()
	benches, minded, err := openKept(ctx, s, []*bench.File{file}, hub, station.NewSlot(), "run", jobs, nil)
	if err != nil {
		return nil, "", err
	}
	st := benches[0]
	defer func() { err = errors.Join(err, minded.Close()) }()
	life, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	group, gctx := errgroup.WithContext(life)
	group.Go(func() error { return st.Run(gctx) })
	defer askHere(c, st, hub, file)()
	defer leaveOnSecond(ctx, c, st, file)()
	running, err := st.Start(order)
	if err != nil {
		stop()
		closeErr := group.Wait()
		if errors.Is(err, bench.ErrNotSafe) && errors.Is(closeErr, bench.ErrNotSafe) {
			closeErr = nil // it was said already, with more words
		}
		return nil, "", errors.Join(orderFault(err), closeErr)
	}
	stopped := context.AfterFunc(ctx, func() {
		fmt.Fprintln(c.err, "stopping: the bench is being made safe")
		_ = st.Stop(operator()) // a run that has ended meanwhile needs no stop
	})
	defer stopped()
	for {
		e, err := running.Events.Next(context.Background()) // ends with the run
		if err != nil {
			break
		}
		kept.keep(e)
		teller{out: c.out, budget: budget, width: hands.Width(c.out)}.tell(e)
	}
	end := running.Wait()
	stop()
	return &end, running.Journal, errors.Join(group.Wait(), kept.close())
}

// leaveOnSecond takes a second Ctrl-C for the word that nobody is there who could operate anything by hand: what is not confirmed by then
// is NOT SAFE at once and not after the time that a person is given. The function that it returns ends it.
func leaveOnSecond(ctx context.Context, c *console, st *station.Station, file *bench.File) (end func()) {
	if !file.HandOperated() {
		return func() {}
	}
	second := make(chan os.Signal, 1)
	over := make(chan struct{})
	var waiting sync.WaitGroup
	waiting.Go(func() {
		select {
		case <-ctx.Done():
		case <-over:
			return
		}
		signal.Notify(second, os.Interrupt, syscall.SIGTERM)
		defer signal.Stop(second)
		fmt.Fprintln(c.err, "operate by hand what is asked; Ctrl-C again when nobody is there who could")
		select {
		case <-second:
			st.Leave()
		case <-over:
		}
	})
	return func() {
		close(over)
		waiting.Wait()
	}
}

// askHere puts the bench's prompts to who sits at this terminal, from the bench's opening to its closing: what is operated by hand is
// asked for before and after a run too. The function that it returns ends it. A simulated person answers by itself.
func askHere(c *console, st *station.Station, hub *event.Hub, file *bench.File) (end func()) {
	if file.Person == "simulated" {
		return func() {}
	}
	terminal := hands.NewTerminal(c.in, c.out, func(id, text string) error {
		consoleErr := hands.AtConsole(os.Getpid(), file.Act.Console)
		err := st.Desk().Answer(id, hands.Answer{By: operator(), Text: text, AtBench: consoleErr == nil})
		if errors.Is(err, hands.ErrNotAtBench) {
			return fmt.Errorf("%w (%w)", err, consoleErr)
		}
		return err
	})
	prompts := hub.Subscribe(event.Lossless)
	ctx, stop := context.WithCancel(context.Background())
	var asking sync.WaitGroup
	asking.Go(func() { _ = terminal.Run(ctx) }) // ends with ctx and nothing else
	asking.Go(func() {
		for {
			e, err := prompts.Next(ctx)
			if err != nil {
				return
			}
			terminal.Follow(e.Body)
		}
	})
	return func() {
		stop()
		prompts.Close()
		asking.Wait()
	}
}
