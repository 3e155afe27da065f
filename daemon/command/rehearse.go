package command

import (
	"context"
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/drive"
	"benchwarden/daemon/script"
	"benchwarden/daemon/station"
)

func rehearseCommand(c *console, s *settings) *cobra.Command {
	o := simulateOptions{name: "rehearsal"}
	var unit, json string
	var budget bool
	cmd := &cobra.Command{
		Use:   "rehearse SCRIPT --family F [--fault NAME[=SIZE]]...",
		Short: "Run a script on a simulated bench before it touches a real one",
		Args:  args(1, "one script"),
		RunE: func(cmd *cobra.Command, given []string) error {
			settings, err := s.read()
			if err != nil {
				return err
			}
			if o.family == "" {
				return usage("rehearse: --family is missing")
			}
			folder, err := os.MkdirTemp("", "benchwarden-rehearsal-")
			if err != nil {
				return err
			}
			defer os.RemoveAll(folder)
			o.benchFile = filepath.Join(folder, "bench.yaml")
			settings.Countdown = min(settings.Countdown, 1)
			return rehearse(cmd.Context(), c, settings, o, station.Order{Script: given[0], Family: o.family, Unit: unit, Operator: operator(), Rehearsal: true}, json, budget)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.family, "family", "", "drive family")
	f.StringArrayVar(&o.faults, "fault", nil, "a fault by name, repeatable (simulate --fault list names them)")
	f.Uint64Var(&o.seed, "seed", 1, "seed of the unit's deviations and of all noise")
	f.BoolVar(&o.spread, "spread", false, "a unit of its own, spread over the inner 80 % of the tolerances")
	f.BoolVar(&o.poor, "poor", false, "on a poor bench, where everything is operated by hand")
	f.StringVar(&unit, "unit", "rehearsal", "serial number for the record")
	f.BoolVar(&budget, "budget", false, "say what the uncertainty of each reading is made of, with the test uncertainty ratio")
	f.StringVar(&json, "json", "", "file for the run's events, one JSON object a line")
	return cmd
}

func rehearse(ctx context.Context, c *console, s Settings, o simulateOptions, order station.Order, jsonPath string, budget bool) error {
	if path, err := script.Find(s.scripts(), order.Script); err == nil { // where it is not there the order says so
		of, err := script.Read(path)
		o.fitted = err == nil && (of.Stage == drive.Fitted || of.Stage == drive.Soak)
	}
	s.Data = filepath.Join(filepath.Dir(o.benchFile), "data")
	sim, err := startSimulation(context.WithoutCancel(ctx), s, o)
	if err != nil {
		return err
	}
	defer sim.stop()
	file, err := bench.ReadFile(sim.benchFile)
	if err != nil {
		return configFault(err)
	}
	fmt.Fprintln(c.out, "Everything here is SIMULATED; no figure was measured on a drive.")
	ended, _, err := host(ctx, c, s, file, nil, jsonPath, budget, order)
	if err != nil {
		return err
	}
	return result(ended)
}
