package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"benchwarden/daemon/picture"
	"benchwarden/daemon/record"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

func historyCommand(c *console, s *settings) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "history",
		Short: "What the shop knows: a unit's earlier jobs, a family's faults, a check over good units",
		Long:  "What was simulated never counts as experience with a family; --simulated shows it by itself.",
	}
	cmd.AddCommand(historyUnit(c, s), historyFamily(c, s), historyCheck(c, s))
	return cmd
}

func historyUnit(c *console, s *settings) *cobra.Command {
	var asJSON bool
	cmd := bookCommand(s, "unit SERIAL", "List a unit's jobs, the newest first", "one serial number", 1,
		func(ctx context.Context, book *record.Book, _ Settings, given []string) error {
			jobs, err := book.Jobs(ctx, record.Filter{Unit: given[0]})
			if err != nil {
				return err
			}
			if asJSON {
				return printJSON(c, jobs)
			}
			if err := printJobs(c.out, jobs); err != nil {
				return err
			}
			for _, j := range jobs {
				if j.Cause != "" {
					fmt.Fprintf(c.out, "%s: why it blew: %s\n", j.ID, j.Cause)
				}
			}
			return nil
		})
	cmd.Flags().BoolVar(&asJSON, "json", false, "as JSON")
	return cmd
}

func historyFamily(c *console, s *settings) *cobra.Command {
	var asJSON, simulated bool
	cmd := bookCommand(s, "family F", "Tell a family's repaired-first-time rate and its most frequent faults", "one family", 1,
		func(ctx context.Context, book *record.Book, _ Settings, given []string) error {
			f, err := book.Family(ctx, given[0], simulated)
			if err != nil {
				return err
			}
			if asJSON {
				return printJSON(c, f)
			}
			return printFamily(c.out, f)
		})
	cmd.Flags().BoolVar(&asJSON, "json", false, "as JSON")
	cmd.Flags().BoolVar(&simulated, "simulated", false, "what was simulated instead of what was measured")
	return cmd
}

func simulatedNote(w io.Writer, simulated bool) {
	if simulated {
		fmt.Fprintln(w, "SIMULATED: no figure here was measured on a drive.")
	}
}

func printFamily(w io.Writer, f record.Family) error {
	simulatedNote(w, f.Simulated)
	fmt.Fprintf(w, "family %s: %d jobs closed, %d repaired", f.Family, f.Closed, f.Repaired)
	if f.Repaired > 0 {
		fmt.Fprintf(w, ", %d of those at the first time (%.0f %%): never opened again, and the unit has not come back", f.FirstTime, 100*f.FirstTimeRate())
	}
	fmt.Fprintln(w)
	if len(f.Faults) == 0 {
		fmt.Fprintln(w, "no fault is recorded")
		return nil
	}
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "units\tfault")
	for _, fault := range f.Faults {
		fmt.Fprintf(table, "%d\t%s\n", fault.Units, fault.What)
	}
	return table.Flush()
}

// checkOptions are the flags of history check.
type checkOptions struct {
	family, subject, unit, picture string
	json, simulated                bool
}

func historyCheck(c *console, s *settings) *cobra.Command {
	o := &checkOptions{}
	cmd := bookCommand(s, "check NAME --family F", "Show a check's spread over good units, with one unit marked", "one check's name", 1,
		func(ctx context.Context, book *record.Book, _ Settings, given []string) error {
			return tellCheck(ctx, c, book, o, given[0])
		})
	f := cmd.Flags()
	f.StringVar(&o.family, "family", "", "drive family")
	f.StringVar(&o.subject, "subject", "", "gate channel, rail, bus ...; all without")
	f.StringVar(&o.unit, "unit", "", "serial number of the unit to be marked")
	f.StringVar(&o.picture, "picture", "", "draw it into this file too, .svg or .png; one subject")
	f.BoolVar(&o.json, "json", false, "as JSON")
	f.BoolVar(&o.simulated, "simulated", false, "what was simulated instead of what was measured")
	return cmd
}

func tellCheck(ctx context.Context, c *console, book *record.Book, o *checkOptions, check string) error {
	if o.family == "" {
		return usage("history check: --family is missing")
	}
	spreads, err := book.Spreads(ctx, o.family, check, o.subject, o.unit, o.simulated)
	if err != nil {
		return err
	}
	if len(spreads) == 0 {
		known, err := book.Checks(ctx, o.family, o.simulated)
		if err != nil {
			return err
		}
		has := "none yet, of any check"
		if len(known) > 0 {
			has = strings.Join(known, ", ")
		}
		return usage("history check: family %s has no readings of %q; it has %s", o.family, check, has)
	}
	if o.picture != "" {
		if len(spreads) > 1 {
			return usage("history check: a picture shows one subject; choose it with --subject")
		}
		if err := drawSpread(o.picture, o.family, o.simulated, spreads[0]); err != nil {
			return err
		}
	}
	if o.json {
		return printJSON(c, spreads)
	}
	simulatedNote(c.out, o.simulated)
	return printSpreads(c.out, spreads)
}

func printSpreads(w io.Writer, spreads []record.Spread) error {
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "subject\tgood\tlowest\t5 %\tmedian\t95 %\thighest\tthis unit")
	for _, s := range spreads {
		fmt.Fprintf(table, "%s\t%d", s.Subject, len(s.Good))
		for _, share := range []float64{0, 0.05, 0.5, 0.95, 1} {
			v, ok := s.Quantile(share)
			if !ok {
				fmt.Fprint(table, "\t-")
				continue
			}
			fmt.Fprintf(table, "\t%v", v)
		}
		fmt.Fprintf(table, "\t%s\n", thisUnit(s))
	}
	return table.Flush()
}

// thisUnit is the marked unit's latest reading with its place among the good ones.
func thisUnit(s record.Spread) string {
	if len(s.This) == 0 {
		return "-"
	}
	latest := s.This[len(s.This)-1]
	place := s.Place(latest)
	switch {
	case math.IsNaN(place):
		return latest.String()
	case place == 0:
		return fmt.Sprintf("%v, below all%s", latest, unlike(s, latest))
	case place == 1:
		return fmt.Sprintf("%v, above all%s", latest, unlike(s, latest))
	}
	return fmt.Sprintf("%v, above %.0f %%", latest, 100*place)
}

// unlike flags a reading beyond what the good ones' own spread explains. It fails nothing: the family's limits decide.
func unlike(s record.Spread, latest quantity.Value) string {
	var readings []float64
	for _, v := range s.Good {
		readings = append(readings, v.Number)
	}
	p, err := verdict.Describe(readings)
	if err != nil { // too few, or all the same: nothing follows
		return ""
	}
	low, high := p.Limits()
	if latest.Number >= low && latest.Number <= high {
		return ""
	}
	in := func(x float64) quantity.Value { return quantity.Value{Number: x, Unit: latest.Unit} }
	return fmt.Sprintf("; FLAGGED: unlike the good ones, which lie within %v to %v by their own spread; its limits decide, this does not", in(low), in(high))
}

// drawSpread draws the share of good units below each reading, and this unit's readings as upright lines.
func drawSpread(path, family string, simulated bool, s record.Spread) error {
	if len(s.Good) == 0 {
		return usage("history check: no good unit has this reading yet, so there is nothing to draw")
	}
	title := fmt.Sprintf("%s %s, family %s: %d good readings", s.Check, s.Subject, family, len(s.Good))
	if simulated {
		title += ", SIMULATED"
	}
	unit := s.Good[0].Unit
	good := picture.Curve{Name: "good units"}
	for i, v := range s.Good {
		good.X, good.Y = append(good.X, v.Number), append(good.Y, 100*float64(i+1)/float64(len(s.Good)))
	}
	chart := picture.Chart{Title: title, X: picture.Axis{Title: s.Check, Unit: unit}, Y: picture.Axis{Title: "good units below", Unit: quantity.Percent},
		Curves: []picture.Curve{good}}
	for i, v := range s.This {
		mark := picture.Curve{X: []float64{v.Number, v.Number}, Y: []float64{0, 100}}
		if i == len(s.This)-1 {
			mark.Name = "this unit"
		}
		chart.Curves = append(chart.Curves, mark)
	}
	draw := chart.SVG
	switch filepath.Ext(path) {
	case ".svg":
	case ".png":
		draw = chart.PNG
	default:
		return usage("--picture %s: the file's name ends in .svg or .png", path)
	}
	f, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("--picture: %w", err)
	}
	return errors.Join(draw(f, picture.Wide), f.Close())
}
