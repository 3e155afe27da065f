package command

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"benchwarden/daemon/job"
	"benchwarden/daemon/record"
	"benchwarden/daemon/server"
	"benchwarden/instruments/quantity"
)

func jobCommand(c *console, s *settings) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "job",
		Short: "One unit's stay on the bench, from intake to the end",
		Long: `Open a job when a drive comes in and write into it what is done. Runs belong to it with run --job. Its order is a protection:
cold, rails, board, release to fit, fitting record, fitted, soak; what a step is missing is told when it is asked for.`,
	}
	cmd.AddCommand(jobNew(c, s), jobList(c, s), jobShow(c, s), jobTag(c, s), jobNote(c, s), jobStandIn(c, s), jobReplace(c, s), jobDecline(c, s), jobRemoved(c, s),
		jobOverride(c, s), jobRelease(c, s), jobFitted(c, s), jobClose(c, s), jobReopen(c, s))
	return cmd
}

// uploads reads pictures; a file that is too large is not read to its end.
func uploads(paths []string) ([]job.Upload, error) {
	var all []job.Upload
	for _, path := range paths {
		info, err := os.Stat(path)
		if err != nil {
			return nil, fmt.Errorf("photo: %w", err)
		}
		if info.Size() > job.LargestPhoto {
			return nil, usage("photo %s has %.1f MB, more than the %d MB that a job takes; make it smaller", path, float64(info.Size())/(1<<20), job.LargestPhoto>>20)
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return nil, fmt.Errorf("photo: %w", err)
		}
		all = append(all, job.Upload{Name: filepath.Base(path), Data: data})
	}
	return all, nil
}

func jobNew(c *console, s *settings) *cobra.Command {
	var in job.Intake
	var by string
	var pictures []string
	cmd := &cobra.Command{
		Use: "new --unit SERIAL [--family F]", Short: "Take a drive in", Args: args(0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if in.Unit == "" {
				return usage("job new: --unit is missing: the drive's serial number, or a name that you put on it")
			}
			photos, err := uploads(pictures)
			if err != nil {
				return err
			}
			return s.withJobs(cmd.Context(), func(jobs server.Jobs) error {
				state, err := jobs.Open(cmd.Context(), job.NewAct(by, job.Opened, in, photos...))
				if err != nil {
					return err
				}
				fmt.Fprintf(c.out, "job %s is open for unit %s (%s)\n", state.ID, state.Unit, state.Family)
				return nil
			})
		},
	}
	f := cmd.Flags()
	f.StringVar(&in.Unit, "unit", "", "serial number")
	f.StringVar(&in.Family, "family", "unknown", "drive family")
	f.StringVar(&in.Order, "order", "", "the customer's order number")
	f.StringVar(&in.Symptom, "symptom", "", "what the customer says")
	f.StringVar(&in.Idle, "idle", "", "how long it lay unused, in words")
	f.StringArrayVar(&pictures, "photo", nil, "a JPEG or PNG picture, repeatable")
	f.StringVar(&by, "by", operator(), "your name")
	return cmd
}

// withJobs reads the settings and gives the desk.
func (s *settings) withJobs(ctx context.Context, do func(server.Jobs) error) error {
	read, err := s.read()
	if err != nil {
		return err
	}
	err = withJobs(ctx, read, do)
	if errors.Is(err, job.ErrAct) {
		return &exitError{ExitUsage, err}
	}
	return err
}

func jobList(c *console, s *settings) *cobra.Command {
	var f record.Filter
	var asJSON bool
	cmd := &cobra.Command{
		Use: "list [WORD...]", Short: "List jobs, the newest first; words search all that was written about them",
		RunE: func(cmd *cobra.Command, words []string) error {
			f.Words = strings.Join(words, " ")
			return s.withJobs(cmd.Context(), func(jobs server.Jobs) error {
				list, err := jobs.List(cmd.Context(), f)
				if err != nil {
					return err
				}
				if asJSON {
					return printJSON(c, list)
				}
				return printJobs(c.out, list)
			})
		},
	}
	cmd.Flags().StringVar(&f.Unit, "unit", "", "only this serial number")
	cmd.Flags().StringVar(&f.Family, "family", "", "only this family")
	cmd.Flags().BoolVar(&f.Open, "open", false, "only jobs that are not closed")
	cmd.Flags().IntVar(&f.Most, "most", 50, "at most so many")
	cmd.Flags().BoolVar(&asJSON, "json", false, "as JSON")
	return cmd
}

func printJSON(c *console, v any) error {
	e := json.NewEncoder(c.out)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

func jobShow(c *console, s *settings) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use: "show JOB", Short: "Show how far a job is, and all that was done", Args: args(1, "one job"),
		RunE: func(cmd *cobra.Command, given []string) error {
			return s.withJobs(cmd.Context(), func(jobs server.Jobs) error {
				state, err := jobs.Show(cmd.Context(), given[0])
				if err != nil {
					return err
				}
				if asJSON {
					return printJSON(c, state)
				}
				return printJob(c.out, state)
			})
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "as JSON")
	return cmd
}

func jobTag(c *console, s *settings) *cobra.Command {
	return &cobra.Command{
		Use: "tag JOB", Short: "Print the text for the tag on the drive: what stands in, and that it must come out", Args: args(1, "one job"),
		RunE: func(cmd *cobra.Command, given []string) error {
			return s.withJobs(cmd.Context(), func(jobs server.Jobs) error {
				state, err := jobs.Show(cmd.Context(), given[0])
				if err != nil {
					return err
				}
				return job.Tag(c.out, state)
			})
		},
	}
}

// act is a command that writes one entry. body is filled by the flags; what completes it, where that takes more.
func act[T any](c *console, s *settings, use, short, kind string, body *T, complete func() error, flags func(*cobra.Command)) *cobra.Command {
	var by string
	var pictures []string
	cmd := &cobra.Command{
		Use: use, Short: short, Args: args(1, "one job"),
		RunE: func(cmd *cobra.Command, given []string) error {
			if complete != nil {
				if err := complete(); err != nil {
					return &exitError{ExitUsage, err}
				}
			}
			photos, err := uploads(pictures)
			if err != nil {
				return err
			}
			return s.withJobs(cmd.Context(), func(jobs server.Jobs) error {
				state, err := jobs.Do(cmd.Context(), given[0], job.NewAct(by, kind, *body, photos...))
				if err != nil {
					return err
				}
				return printLast(c.out, state)
			})
		},
	}
	cmd.Flags().StringVar(&by, "by", operator(), "your name")
	if kind == job.Noted || kind == job.StandIn {
		cmd.Flags().StringArrayVar(&pictures, "photo", nil, "a JPEG or PNG picture, repeatable")
	}
	if flags != nil {
		flags(cmd)
	}
	return cmd
}

func jobNote(c *console, s *settings) *cobra.Command {
	r := &job.Remark{}
	return act(c, s, "note JOB --text TEXT", "Write a note, or with --cause why it blew", job.Noted, r, nil, func(cmd *cobra.Command) {
		cmd.Flags().StringVar(&r.Text, "text", "", "the note")
		cmd.Flags().BoolVar(&r.Cause, "cause", false, "the note says why it blew, as far as can be told")
	})
}

func jobStandIn(c *console, s *settings) *cobra.Command {
	m := &job.Move{}
	var in, out int
	complete := func() error {
		if (in > 0) == (out > 0) || in < 0 || out < 0 {
			return errors.New("job stand-in: give --in or --out with a number above zero")
		}
		m.Count = in - out
		return nil
	}
	return act(c, s, "stand-in JOB --name N (--in COUNT | --out COUNT)", "Count a stand-in in or out: jumper, dummy capacitor, lifted leg, resistor",
		job.StandIn, m, complete, func(cmd *cobra.Command) {
			cmd.Flags().StringVar(&m.Name, "name", "", "what it is")
			cmd.Flags().IntVar(&in, "in", 0, "how many were put in")
			cmd.Flags().IntVar(&out, "out", 0, "how many were taken out")
			cmd.Flags().StringVar(&m.Where, "where", "", "where it was put, in words")
		})
}

func jobReplace(c *console, s *settings) *cobra.Command {
	r := &job.Replacement{}
	return act(c, s, "replace JOB --part P [--quantity N] [--for SUBJECT]", "Write down a replaced part of the board; earlier runs and releases no longer count",
		job.Replaced, r, nil, func(cmd *cobra.Command) {
			cmd.Flags().StringVar(&r.Part, "part", "", "the part, with its place")
			cmd.Flags().IntVar(&r.Quantity, "quantity", 1, "how many")
			cmd.Flags().StringVar(&r.Why, "why", "", "why")
			cmd.Flags().StringVar(&r.For, "for", "", "the proposal that it follows, by its subject")
		})
}

func jobDecline(c *console, s *settings) *cobra.Command {
	r := &job.Refusal{}
	return act(c, s, "decline JOB --for SUBJECT --reason R", "Decide not to follow a proposal of the cold checks; it is printed on the report",
		job.Declined, r, nil, func(cmd *cobra.Command) {
			cmd.Flags().StringVar(&r.For, "for", "", "the proposal, by its subject")
			cmd.Flags().StringVar(&r.Reason, "reason", "", "the reason")
		})
}

func jobRemoved(c *console, s *settings) *cobra.Command {
	r := &job.Remark{}
	return act(c, s, "removed JOB", "Write down that the power devices are out again; earlier runs and releases no longer count", job.Removed, r, nil,
		func(cmd *cobra.Command) { cmd.Flags().StringVar(&r.Text, "text", "", "why") })
}

func jobOverride(c *console, s *settings) *cobra.Command {
	o := &job.Overridden{}
	return act(c, s, "override JOB --stage S --reason R", "Go on without a stage (cold, rails, fitted) by name and reason; it is printed on the report",
		job.Override, o, nil, func(cmd *cobra.Command) {
			cmd.Flags().StringVar(&o.Stage, "stage", "", "the stage")
			cmd.Flags().StringVar(&o.Reason, "reason", "", "the reason")
		})
}

func jobRelease(c *console, s *settings) *cobra.Command {
	r := &job.Release{}
	return act(c, s, "release JOB", "Decide that power devices may be fitted; needs a passed board stage and no stand-in left", job.Released, r, nil,
		func(cmd *cobra.Command) {
			cmd.Flags().StringVar(&r.Override, "override", "", "the reason for releasing without what is missing; it is printed on the report")
		})
}

func jobFitted(c *console, s *settings) *cobra.Command {
	f := &job.Fitting{}
	var devices []string
	var insulation, part string
	complete := func() error {
		f.Devices = nil
		for _, d := range devices {
			position, ohms, ok := strings.Cut(d, "=")
			v, err := quantity.ParseAs(ohms, quantity.Ohm)
			if !ok || err != nil {
				return fmt.Errorf(`--device %q: write POSITION=OHMS, for example --device "A.high=10 kohm"`, d)
			}
			f.Devices = append(f.Devices, job.Device{Position: position, Part: part, GateSource: quantity.Ohms(v.Number)})
		}
		if insulation != "" {
			v, err := quantity.ParseAs(insulation, quantity.Ohm)
			if err != nil {
				return fmt.Errorf("--insulation: %w", err)
			}
			f.Insulation = quantity.Ohms(v.Number)
		}
		return nil
	}
	return act(c, s, "fitted JOB --device POSITION=OHMS...", "Record how the power devices were fitted; the fitted stage is locked without it", job.Fitted, f, complete,
		func(cmd *cobra.Command) {
			cmd.Flags().StringArrayVar(&devices, "device", nil, "a new device with the resistance measured from gate to source, repeatable")
			cmd.Flags().StringVar(&part, "part", "", "the devices' part number")
			cmd.Flags().StringVar(&insulation, "insulation", "", "lowest reading from a tab to the heatsink")
			cmd.Flags().StringVar(&f.Torque, "torque", "", "torque of the screws, with its unit")
			cmd.Flags().StringVar(&f.Paste, "paste", "", "thermal paste or pad")
			cmd.Flags().StringVar(&f.Electrolytics, "electrolytics", "", "how the polarity of electrolytics was checked")
			cmd.Flags().BoolVar(&f.StandInsOut, "stand-ins-out", false, "you have looked: no stand-in is left in the drive")
			cmd.Flags().StringVar(&f.Override, "override", "", "the reason for going on without what is missing; it is printed on the report")
		})
}

func jobClose(c *console, s *settings) *cobra.Command {
	e := &job.End{}
	return act(c, s, "close JOB --outcome O", "End a job: repaired, not repaired, no fault found", job.Closed, e, nil, func(cmd *cobra.Command) {
		cmd.Flags().StringVar(&e.Outcome, "outcome", "", "repaired, \"not repaired\" or \"no fault found\"")
		cmd.Flags().StringVar(&e.Cause, "cause", "", "why it blew, as far as can be told")
	})
}

func jobReopen(c *console, s *settings) *cobra.Command {
	r := &job.Remark{}
	return act(c, s, "reopen JOB --text WHY", "Open a closed job again", job.Reopened, r, nil,
		func(cmd *cobra.Command) { cmd.Flags().StringVar(&r.Text, "text", "", "why") })
}
