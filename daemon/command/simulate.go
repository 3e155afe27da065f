package command

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"benchwarden/daemon/drive"
	"benchwarden/instruments/simulated"
	"benchwarden/instruments/simulated/plant"
)

// simulateOptions are the flags of simulate.
type simulateOptions struct {
	family, benchFile, name string
	faults                  []string
	seed                    uint64
	spread, fitted, json    bool
	poor                    bool // everything is operated by hand
}

func simulateCommand(c *console, s *settings) *cobra.Command {
	o := &simulateOptions{}
	cmd := &cobra.Command{
		Use:   "simulate --family F [--fault NAME[:TARGET][=SIZE]]...",
		Short: "Serve a simulated bench: SCPI instruments on real sockets around one drive",
		Long: `Serve a simulated bench around one drive of a family, every instrument on its own TCP port or pseudo-terminal, until it is
stopped. A bench file that connects to it is written. --fault list names the faults it knows.`,
		Args: args(0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if slices.Equal(o.faults, []string{"list"}) {
				listFaults(c)
				return nil
			}
			settings, err := s.read()
			if err != nil {
				return err
			}
			if o.family == "" {
				return usage("simulate: --family is missing")
			}
			return simulate(cmd.Context(), c, settings, o)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.family, "family", "", "drive family")
	f.StringArrayVar(&o.faults, "fault", nil, "a fault by name, repeatable; \"list\" names all")
	f.Uint64Var(&o.seed, "seed", 1, "seed of the unit's deviations and of all noise")
	f.BoolVar(&o.spread, "spread", false, "a unit of its own, spread over the inner 80 % of the tolerances")
	f.BoolVar(&o.fitted, "fitted", false, "power devices are fitted")
	f.BoolVar(&o.poor, "poor", false, "the bench file is that of a poor bench: everything is operated by hand")
	f.BoolVar(&o.json, "json", false, "print the addresses as one line of JSON")
	f.StringVar(&o.benchFile, "bench-file", "", "where to write the bench file (default: in the data folder)")
	f.StringVar(&o.name, "name", "simulated", "name of the bench")
	return cmd
}

func simulate(ctx context.Context, c *console, s Settings, o *simulateOptions) error {
	family, err := drive.LoadNamed(s.families(), o.family)
	if err != nil {
		return configFault(err)
	}
	drives, instruments, err := simulated.ParseFaults(o.faults)
	if err != nil {
		return usage("simulate: %w", err)
	}
	b, err := simulated.Start(ctx, simulated.Options{
		Name: o.name, Params: paramsOf(family), Faults: instruments, Latency: 1,
		Plant: plant.Options{Seed: o.seed, Spread: o.spread, Fitted: o.fitted, Faults: drives},
	})
	if err != nil {
		return usage("simulate: %w", err)
	}
	path := o.benchFile
	if path == "" {
		path = filepath.Join(s.Data, "benches", o.name+".yaml")
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return err
	}
	text := b.BenchFile()
	if o.poor {
		text = b.PoorBenchFile()
	}
	if err := os.WriteFile(path, text, 0o640); err != nil {
		return err
	}
	if err := announce(c, o, b.Addresses(), path); err != nil {
		return err
	}
	return b.Run(ctx)
}

func announce(c *console, o *simulateOptions, addresses map[string]string, path string) error {
	if o.json {
		return json.NewEncoder(c.out).Encode(addresses)
	}
	fmt.Fprintf(c.out, "simulated bench %s, family %s, seed %d", o.name, o.family, o.seed)
	if len(o.faults) > 0 {
		fmt.Fprintf(c.out, ", faults: %s", strings.Join(o.faults, ", "))
	}
	fmt.Fprintln(c.out)
	for _, role := range slices.Sorted(maps.Keys(addresses)) {
		fmt.Fprintf(c.out, "  %-12s %s\n", role, addresses[role])
	}
	fmt.Fprintf(c.out, "bench file: %s\nCtrl-C ends it\n", path)
	return nil
}

func listFaults(c *console) {
	for _, k := range simulated.KnownFaults() {
		fmt.Fprintf(c.out, "%-11s %-38s %s\n", k.Class, k.Example, k.Text)
	}
}
