package command

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/station"
	"benchwarden/instruments/link"
)

func benchCommand(c *console, s *settings) *cobra.Command {
	var probe string
	cmd := &cobra.Command{
		Use:   "bench [FILE]",
		Short: "Say which instruments are there, who they say they are, and what is missing",
		Long: `Say which instruments are there. Without a file the daemon is asked for its benches; with a bench file the instruments
are reached from here, brought into their safe states, and left.

With --probe DEVICE the usual baud rates and terminators are tried on a serial device.`,
		RunE: func(cmd *cobra.Command, given []string) error {
			settings, err := s.read()
			if err != nil {
				return err
			}
			switch {
			case probe != "":
				return probeDevice(cmd.Context(), c, probe)
			case len(given) == 0:
				all, err := newClient(settings.Socket).statuses(cmd.Context())
				if err != nil {
					return err
				}
				for _, st := range all {
					printStatus(c, st)
				}
				return nil
			case len(given) == 1:
				return visit(cmd.Context(), c, settings, given[0])
			}
			return usage("bench: give one bench file")
		},
	}
	cmd.Flags().StringVar(&probe, "probe", "", "serial device whose line settings are to be found")
	return cmd
}

// visit opens a bench from this process and says who is there.
func visit(ctx context.Context, c *console, s Settings, name string) error {
	path, err := benchFile(s, name)
	if err != nil {
		return configFault(err)
	}
	file, err := bench.ReadFile(path)
	if err != nil {
		return configFault(err)
	}
	st, err := station.Open(ctx, stationConfig(s, file, event.NewHub(), station.NewSlot(), "bench"))
	if err != nil {
		return err
	}
	status := st.Status()
	printStatus(c, status)
	ended, cancel := context.WithCancel(ctx)
	cancel() // Run makes safe and closes at once
	if err := st.Run(ended); err != nil {
		return &exitError{station.ExitNotSafe, err}
	}
	if status.Usable != "" {
		return &exitError{station.ExitBroken, errors.New(status.Usable)}
	}
	return nil
}

func printStatus(c *console, st station.Status) {
	fmt.Fprintf(c.out, "bench %s", st.Bench)
	if st.Title != "" {
		fmt.Fprintf(c.out, ", %s", st.Title)
	}
	if st.Simulated {
		fmt.Fprint(c.out, ", SIMULATED")
	}
	fmt.Fprintln(c.out)
	for _, who := range st.Who {
		if who.Identity == "" {
			continue // it is among the missing ones
		}
		fmt.Fprintf(c.out, "  %-12s %s", who.Role, who.Identity)
		if who.CalibrationDue != "" {
			fmt.Fprintf(c.out, "  (calibration due %s)", who.CalibrationDue)
		}
		fmt.Fprintln(c.out)
	}
	for _, missing := range st.Missing {
		fmt.Fprintf(c.out, "  MISSING      %s\n", missing)
	}
	outputs := st.Safety.Outputs
	if st.Run != "" {
		outputs = nil // where make-safe left them before the run says nothing about now
		fmt.Fprintf(c.out, "  run          %s\n", st.Run)
	}
	if len(st.On) > 0 {
		fmt.Fprintf(c.out, "  ENERGISED    %s\n", strings.Join(st.On, ", "))
	}
	for _, o := range outputs {
		state := "confirmed " + o.Safe
		if !o.Confirmed {
			state = "NOT SAFE, not confirmed " + o.Safe + ": " + o.Text
		}
		fmt.Fprintf(c.out, "  %-12s %s\n", o.Name, state)
	}
	fmt.Fprintf(c.out, "  %-12s %s\n", "drive's bus", busLine(st.Bus))
	if st.Trip != nil {
		fmt.Fprintf(c.out, "  TRIP         %s: %s\n", st.Trip.Cause, st.Trip.Text)
	}
	if len(st.Holds) > 0 {
		fmt.Fprintf(c.out, "  HOLD         hands in: %s\n", strings.Join(st.Holds, ", "))
	}
	if st.Usable != "" {
		fmt.Fprintf(c.out, "  unusable     %s\n", st.Usable)
	}
}

func probeDevice(ctx context.Context, c *console, device string) error {
	findings, err := link.Probe(ctx, device)
	if err != nil {
		return err
	}
	for _, f := range findings {
		fmt.Fprintln(c.out, f)
	}
	return nil
}
