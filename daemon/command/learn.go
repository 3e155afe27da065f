package command

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/record"
	"benchwarden/daemon/verdict"
)

func familyCommand(c *console, s *settings) *cobra.Command {
	cmd := &cobra.Command{Use: "family", Short: "Drive families: learn a family file from good units"}
	cmd.AddCommand(familyLearn(c, s))
	return cmd
}

func familyLearn(c *console, s *settings) *cobra.Command {
	var name string
	cmd := &cobra.Command{
		Use:   "learn JOB|RUN... --name NAME",
		Short: "Write a family file from runs on good units",
		Long: fmt.Sprintf(`Write a family file from runs on good units, for example one that was tested as family unknown. Name their jobs, or the runs.

Only passed runs teach, all of them by one family file. The new file is that file, with the figures that the units showed: gate
levels, dead time, chopping frequency, rails with their ripple, capacitance, bleeder and quiescent current of the bus, and with
devices fitted the quiescent current and the ripple under the dummy load. No limit becomes wider than it was.

How much room is left: of fewer than %[1]d units a stated room around what they showed. From %[1]d units on the limits follow from
the units' own spread, the median and six robust sigmas to either side (AEC-Q001), and what is said of each figure tells so. Gate
levels and dead time keep the stated room: of those only the worst reading of a unit is known.

The file is marked with the runs that it was learnt from. Look it through before you trust it: few good units do not show how
much good units differ.`, verdict.FewestUnits),
		RunE: func(cmd *cobra.Command, given []string) error {
			switch {
			case len(given) == 0:
				return usage("family learn: name the jobs or the runs of good units")
			case name == "" || name != filepath.Base(name) || strings.ContainsAny(name, " .:'\""):
				return usage("family learn: --name gives the new family its name: one word")
			}
			read, err := s.read()
			if err != nil {
				return err
			}
			book, err := openBook(cmd.Context(), read)
			if err != nil {
				return err
			}
			return errors.Join(learn(cmd.Context(), c, read, book, given, name), book.Close())
		},
	}
	cmd.Flags().StringVar(&name, "name", "", "name of the new family")
	return cmd
}

func learn(ctx context.Context, c *console, s Settings, book *record.Book, given []string, name string) error {
	runs, err := runsOf(ctx, book, given)
	if err != nil {
		return err
	}
	school := school{units: map[string]bool{}, figures: map[string]*figure{}, discharges: map[string][]discharge{}}
	for _, run := range runs {
		if err := school.attend(ctx, book, run); err != nil {
			return err
		}
	}
	title := "Learnt from " + school.named()
	if school.simulated {
		title += " of a SIMULATED bench"
	}
	text, told, err := drive.Learn(school.family, name, title, runs, school.lessons())
	if err != nil {
		return fmt.Errorf("family learn: %w", err)
	}
	path := filepath.Join(s.families()[0], name+".yaml")
	if _, err := drive.Decode(path, []byte(text)); err != nil {
		return fmt.Errorf("what these runs show does not make a family file that holds together:\n%w", err)
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("family learn: %w; give another --name", err)
	}
	_, err = f.WriteString(text)
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("family learn: %w", err)
	}
	for _, line := range told {
		fmt.Fprintln(c.out, line)
	}
	if len(school.units) < verdict.FewestUnits {
		fmt.Fprintf(c.out, "Each limit is what was seen with a stated room around it: limits from the spread of good units need %d units, these are %d.\n", verdict.FewestUnits, len(school.units))
	}
	fmt.Fprintf(c.out, "%s was learnt from %d runs of %s, out of family %s. Look it through before you trust it.\n", path, len(runs), school.named(), school.family.Name)
	return nil
}

// runsOf are the runs that were named, and of a job the passed ones.
func runsOf(ctx context.Context, book *record.Book, given []string) (names []string, err error) {
	for _, word := range given {
		if _, err := book.Job(ctx, word); errors.Is(err, record.ErrNone) {
			names = append(names, word)
			continue
		} else if err != nil {
			return nil, err
		}
		heads, err := book.Runs(ctx, word)
		if err != nil {
			return nil, err
		}
		passed := 0
		for _, h := range heads {
			if h.Outcome == string(verdict.Pass) {
				names, passed = append(names, h.Name), passed+1
			}
		}
		if passed == 0 {
			return nil, usage("family learn: job %s has no passed run: only a good unit teaches", word)
		}
	}
	return names, nil
}
