package command

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/keeper"
	"benchwarden/daemon/station"
)

func makeSafeCommand(c *console, s *settings) *cobra.Command {
	return &cobra.Command{
		Use:   "make-safe [BENCH...]",
		Short: "Bring every output of a bench into its safe state, and read that back",
		Long: `Bring every output of a bench into its safe state; without a name, of all benches of the settings. A daemon that owns the bench
is asked; one that does not answer is ended. Without one, and with a bench file, it is done from here. This is no emergency
stop: that is a hardware switch at your bench.`,
		RunE: func(cmd *cobra.Command, names []string) error {
			settings, err := s.read()
			if err != nil {
				return err
			}
			if len(names) == 0 {
				names = settings.Benches
			}
			if len(names) == 0 {
				return usage("make-safe: give one bench, or list them under benches in the settings")
			}
			ctx, cancel := context.WithTimeout(cmd.Context(), 20*time.Second)
			defer cancel()
			consoles, errs := make([]*bytes.Buffer, len(names)), make([]error, len(names))
			var wg sync.WaitGroup
			for i, name := range names { // all at once: a bench that is dead costs the others nothing
				consoles[i] = &bytes.Buffer{}
				wg.Go(func() { errs[i] = makeSafe(ctx, &console{c.in, consoles[i], c.err}, settings, name) })
			}
			wg.Wait()
			for i, text := range consoles {
				if len(names) > 1 {
					fmt.Fprintf(c.out, "bench %s\n", names[i])
				}
				_, _ = text.WriteTo(c.out) // as all that is printed
			}
			return worst(errs)
		},
	}
}

// worst is the error with the gravest exit code, a bench that is not safe before a mistake on the command line; the others are
// told with it.
func worst(errs []error) error {
	var codes []int
	for _, err := range errs {
		if err != nil {
			codes = append(codes, exitCode(err, io.Discard))
		}
	}
	switch {
	case len(codes) == 0:
		return nil
	case slices.Contains(codes, station.ExitNotSafe):
		return &exitError{station.ExitNotSafe, errors.Join(errs...)}
	}
	return &exitError{slices.Max(codes), errors.Join(errs...)}
}

func makeSafe(ctx context.Context, c *console, s Settings, bench string) error {
	name, file, fileErr, err := named(s, bench)
	if err != nil {
		return err
	}
	api := newClient(s.Socket)
	if file != nil {
		if err := endHung(ctx, c, s, file, api); err != nil {
			return err
		}
	}
	safety, err := api.makeSafe(ctx, name, operator())
	switch {
	case errors.Is(err, errNoDaemon) && fileErr != nil:
		return configFault(errors.Join(err, fileErr))
	case errors.Is(err, errNoDaemon):
		return makeSafeHere(ctx, c, s, file)
	case err != nil:
		return err
	}
	return errors.Join(printSafety(c, safety), awaitBus(ctx, c, api, name))
}

// answersWithin is how long a daemon may take to say that it is there.
const answersWithin = 500 * time.Millisecond

// endHung ends the daemon that has the bench and does not answer: that process alone, by the bench's own lock.
func endHung(ctx context.Context, c *console, s Settings, file *bench.File, api *client) error {
	holder, held := keeper.HolderOf(stateDir(s, file), file.Bench)
	if !held {
		return nil
	}
	asking, cancel := context.WithTimeout(ctx, answersWithin)
	defer cancel()
	_, err := api.status(asking, file.Bench)
	if err == nil || asking.Err() == nil { // it answers, or nobody is asked there: a run without a daemon, a keeper at work
		return nil
	}
	process, there, err := keeper.OpenProcess(holder.Process, holder.Started)
	if err != nil || !there {
		return err
	}
	defer process.Close()
	fmt.Fprintf(c.out, "the %v, which has bench %s, does not answer: it is ended\n", holder, file.Bench)
	return process.End(2 * time.Second)
}

// busWithin is how long the bus may take to come down before its state is told as it is.
const busWithin = 10 * time.Second

// awaitBus tells the state of a daemon's bus, once it is down or does not come down.
func awaitBus(ctx context.Context, c *console, api *client, name string) error {
	ticker := time.NewTicker(200 * time.Millisecond)
	defer ticker.Stop()
	until := time.Now().Add(busWithin)
	for {
		status, err := api.status(ctx, name)
		if err != nil {
			return err
		}
		if status.Bus.State != event.Live || time.Now().After(until) {
			return printBus(c, status.Bus)
		}
		select {
		case <-ticker.C:
		case <-ctx.Done():
			return printBus(c, status.Bus)
		}
	}
}

func printBus(c *console, b event.Bus) error {
	fmt.Fprintf(c.out, "drive's bus: %s\n", busLine(b))
	if b.State != event.MeasuredDown && b.State != event.ProvenByHand {
		return &exitError{station.ExitNotSafe, errors.New("prove the bus dead with a proven meter before you touch")}
	}
	return nil
}

// makeSafeHere opens the bench, which makes it safe, and goes.
func makeSafeHere(ctx context.Context, c *console, s Settings, file *bench.File) error {
	st, err := station.Open(ctx, stationConfig(s, file, event.NewHub(), station.NewSlot(), "make-safe"))
	if err != nil {
		return err
	}
	ended, cancel := context.WithCancel(ctx)
	cancel()
	runErr := st.Run(ended)
	status := st.Status()
	if err := printSafety(c, status.Safety); err != nil {
		return err
	}
	if err := printBus(c, status.Bus); err != nil {
		return err
	}
	return runErr
}

func printSafety(c *console, s event.Safety) error {
	for _, o := range s.Outputs {
		state := "confirmed"
		if !o.Confirmed {
			state = "NOT CONFIRMED"
		}
		fmt.Fprintf(c.out, "%-24s %-7s %s %s\n", o.Name, o.Safe, state, o.Text)
	}
	if !s.Confirmed {
		return &exitError{station.ExitNotSafe, errors.New("NOT SAFE: use the emergency stop, switch off by hand, and prove it")}
	}
	return nil
}
