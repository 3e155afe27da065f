package command

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/drive"
	"benchwarden/daemon/server"
	"benchwarden/daemon/station"
	"benchwarden/instruments/quantity"
)

func limitsCommand(c *console, s *settings) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "limits",
		Short: "Show a family's trip limits and what they cost, change them with a reason, and see who changed them",
	}
	cmd.AddCommand(limitsShow(c, s), limitsSet(c, s), limitsHistory(c, s))
	return cmd
}

func limitsShow(c *console, s *settings) *cobra.Command {
	var stage, on string
	cmd := &cobra.Command{
		Use:   "show FAMILY",
		Short: "Show each trip limit, where it comes from, and the time and energy until it has acted",
		Args:  args(1, "one family"),
		RunE: func(_ *cobra.Command, given []string) error {
			settings, family, files, err := familyOnBenches(s, given[0], on)
			if err != nil {
				return err
			}
			stages, err := stagesOf(family, stage)
			if err != nil {
				return err
			}
			for _, file := range files {
				for _, stage := range stages {
					if err := showLimits(c, family, stage, file, settings.dialects()); err != nil {
						return err
					}
				}
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&stage, "stage", "", "only this stage")
	cmd.Flags().StringVar(&on, "bench", "", "only this bench")
	return cmd
}

func showLimits(c *console, family *drive.Family, stage drive.Stage, file *bench.File, dialects []string) error {
	limits, u, err := station.CostOf(family, stage, file, dialects)
	if err != nil {
		return configFault(err)
	}
	fmt.Fprintf(c.out, "family %s, stage %s, bench %s\n", family.Name, stage, file.Bench)
	w := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "quantity\ttrips\tlimit\treadings\toff within\tenergy\tfrom")
	for _, l := range limits {
		value, latency, energy := l.Value.String(), "-", "-"
		if l.Value.Unit == quantity.One {
			value = "-"
		}
		if l.Latency > 0 {
			latency = l.Latency.String()
		}
		if l.Energy > 0 {
			energy = l.Energy.String()
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%d of %d\t%s\t%s\t%s\n", l.Quantity, l.Kind, value, l.N, l.M, latency, energy, l.Origin)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	allowed := "the family does not say how much is allowed"
	if most := family.Stages[stage].UncontrolledEnergy; most > 0 {
		allowed = fmt.Sprintf("the family allows %v", most)
	}
	_, err = fmt.Fprintf(c.out, "a bus that nothing controls (the daemon hangs): off within %v, the current limit lets through %v; %s.\n"+
		"The charge in the bus capacitors comes on top: no supply limits that.\n\n", u.Time, u.Energy, allowed)
	return err
}

func limitsSet(c *console, s *settings) *cobra.Command {
	var stage, on, reason, by string
	cmd := &cobra.Command{
		Use:   "set FAMILY LIMIT=VALUE...",
		Short: "Change limits of a stage for the next run, with a reason that is kept",
		Long: "Change limits of a stage. A run that is going on keeps the limits that it began with.\n\n" +
			"Limits: " + strings.Join(drive.FigureKeys(), ", "),
		Args: func(cmd *cobra.Command, given []string) error {
			if len(given) < 2 {
				return usage("%s: give a family and at least one limit, for example bus_voltage=95V", cmd.CommandPath())
			}
			return nil
		},
		RunE: func(_ *cobra.Command, given []string) error {
			values := map[string]string{}
			for _, arg := range given[1:] {
				key, value, ok := strings.Cut(arg, "=")
				if !ok {
					return usage("%q: write a limit as bus_voltage=95V", arg)
				}
				values[strings.TrimSpace(key)] = strings.TrimSpace(value)
			}
			settings, family, files, err := familyOnBenches(s, given[0], on)
			if err != nil {
				return err
			}
			change, err := changeLimits(settings, family, files, drive.Stage(stage), values, by, reason)
			if err != nil {
				return configFault(err)
			}
			printChange(c, *change)
			_, err = fmt.Fprintln(c.out, "in force from the next run on")
			return err
		},
	}
	cmd.Flags().StringVar(&stage, "stage", "", "the stage whose limits change")
	cmd.Flags().StringVar(&on, "bench", "", "check against this bench; else against all benches of the configs folder")
	cmd.Flags().StringVar(&reason, "reason", "", "why")
	cmd.Flags().StringVar(&by, "by", operator(), "your name")
	return cmd
}

// changeLimits sets limits that every one of the benches can hold.
func changeLimits(settings Settings, family *drive.Family, files []*bench.File, stage drive.Stage, values map[string]string, by, reason string) (*drive.Change, error) {
	return family.SetLimits(stage, values, by, reason, time.Now(), func(changed *drive.Family) error {
		var faults []error
		for _, file := range files {
			faults = append(faults, station.CheckChange(changed, stage, file, settings.dialects()))
		}
		return errors.Join(faults...)
	})
}

// limitsDesk serves the limits to the API.
type limitsDesk struct{ settings Settings }

// Show tells the limits of a family, of one stage and one bench where they are named.
func (d limitsDesk) Show(name, stage, on string) (all []server.StageLimits, err error) {
	family, files, err := onBenches(d.settings, name, on)
	if err != nil {
		return nil, err
	}
	stages, err := stagesOf(family, stage)
	if err != nil {
		return nil, err
	}
	for _, file := range files {
		for _, stage := range stages {
			limits, u, err := station.CostOf(family, stage, file, d.settings.dialects())
			if err != nil {
				return nil, err
			}
			all = append(all, server.StageLimits{Family: family.Name, Stage: stage, Bench: file.Bench, Limits: limits, Uncontrolled: u})
		}
	}
	return all, nil
}

// Set changes limits for the next run.
func (d limitsDesk) Set(name string, c server.ChangeLimits) (drive.Change, error) {
	family, files, err := onBenches(d.settings, name, c.Bench)
	if err != nil {
		return drive.Change{}, err
	}
	change, err := changeLimits(d.settings, family, files, c.Stage, c.Values, c.By, c.Reason)
	if err != nil {
		return drive.Change{}, err
	}
	return *change, nil
}

// History tells who changed what.
func (d limitsDesk) History(name string) ([]drive.Change, error) {
	family, err := drive.LoadNamed(d.settings.families(), name)
	if err != nil {
		return nil, err
	}
	_, noticed := family.NoticeEdits(time.Now())
	changes, err := family.History()
	return changes, errors.Join(err, noticed)
}

func limitsHistory(c *console, s *settings) *cobra.Command {
	return &cobra.Command{
		Use:   "history FAMILY",
		Short: "Show who changed which limit, when, from what to what, and why",
		Args:  args(1, "one family"),
		RunE: func(_ *cobra.Command, given []string) error {
			settings, err := s.read()
			if err != nil {
				return err
			}
			family, err := drive.LoadNamed(settings.families(), given[0])
			if err != nil {
				return configFault(err)
			}
			_, noticed := family.NoticeEdits(time.Now())
			changes, err := family.History()
			for _, change := range changes {
				printChange(c, change)
			}
			return configFault(errors.Join(err, noticed))
		},
	}
}

func printChange(c *console, change drive.Change) {
	fmt.Fprintf(c.out, "%s  %s: %s\n", change.At.Local().Format("2006-01-02 15:04:05"), change.By, change.Reason)
	for _, d := range change.Changed {
		fmt.Fprintf(c.out, "    %s: %s -> %s\n", d.Limit, orNone(d.Before), orNone(d.After))
	}
}

func orNone(text string) string {
	if text == "" {
		return "not given"
	}
	return text
}

func stagesOf(family *drive.Family, only string) (stages []drive.Stage, err error) {
	for _, s := range []drive.Stage{drive.Cold, drive.Rails, drive.Board, drive.Fitted, drive.Soak} {
		if _, ok := family.Stages[s]; ok && (only == "" || only == string(s)) {
			stages = append(stages, s)
		}
	}
	if len(stages) == 0 {
		return nil, usage("family %s has no stage %q", family.Name, only)
	}
	return stages, nil
}

// familyOnBenches reads a family and the benches that its limits are held against: the one that is named, or all of the
// configs folder.
func familyOnBenches(s *settings, name, on string) (Settings, *drive.Family, []*bench.File, error) {
	settings, err := s.read()
	if err != nil {
		return settings, nil, nil, err
	}
	family, files, err := onBenches(settings, name, on)
	return settings, family, files, err
}

func onBenches(settings Settings, name, on string) (*drive.Family, []*bench.File, error) {
	family, err := drive.LoadNamed(settings.families(), name)
	if err != nil {
		return nil, nil, configFault(err)
	}
	paths, err := filepath.Glob(filepath.Join(settings.Configs, "benches", "*.yaml"))
	if on != "" {
		var path string
		path, err = benchFile(settings, on)
		paths = []string{path}
	}
	if err != nil {
		return nil, nil, configFault(err)
	}
	slices.Sort(paths)
	var files []*bench.File
	for _, path := range paths {
		file, err := bench.ReadFile(path)
		if err != nil {
			return nil, nil, configFault(err)
		}
		files = append(files, file)
	}
	if len(files) == 0 {
		return nil, nil, configFault(fmt.Errorf("no bench files in %s: name one with --bench", filepath.Join(settings.Configs, "benches")))
	}
	return family, files, nil
}
