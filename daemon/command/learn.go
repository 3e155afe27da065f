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
	"benchwarden/daemon/event"
	"benchwarden/daemon/record"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

func familyCommand(c *console, s *settings) *cobra.Command {
	cmd := &cobra.Command{Use: "family", Short: "Drive families: learn a family file from a good unit"}
	cmd.AddCommand(familyLearn(c, s))
	return cmd
}

func familyLearn(c *console, s *settings) *cobra.Command {
	var name string
	cmd := &cobra.Command{
		Use:   "learn JOB|RUN... --name NAME",
		Short: "Write a family file from runs on a good unit",
		Long: `Write a family file from runs on a good unit, for example one that was tested as family unknown.

Only passed runs teach. The new file is the one that the runs went by, with the figures that the unit showed and room around
them; no limit becomes wider than it was. It is marked with the runs that it was learnt from. Look it through before you
trust it: one good unit does not show how much good units differ.`,
		RunE: func(cmd *cobra.Command, given []string) error {
			switch {
			case len(given) == 0:
				return usage("family learn: name a job or the runs of a good unit")
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
	school := school{}
	for _, run := range runs {
		if err := school.attend(ctx, book, run); err != nil {
			return err
		}
	}
	title := "Learnt from unit " + school.unit
	if school.simulated {
		title += " of a SIMULATED bench"
	}
	text, told, err := drive.Learn(school.family, name, title, runs, school.lessons)
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
	fmt.Fprintf(c.out, "%s was learnt from %d runs of unit %s, out of family %s. Look it through before you trust it.\n", path, len(runs), school.unit, school.family.Name)
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

// school gathers what runs show.
type school struct {
	family    *drive.Family
	unit      string
	simulated bool
	lessons   drive.Lessons
}

func (s *school) attend(ctx context.Context, book *record.Book, name string) error {
	head, events, err := book.Run(ctx, name)
	if err != nil {
		return err
	}
	if head.Outcome != string(verdict.Pass) {
		return usage("family learn: run %s ended with %s: only a passed run on a good unit teaches", name, head.Outcome)
	}
	started := events[0].Body.(event.RunStarted) // Book.Run refuses what does not begin with it
	family, err := drive.Decode(started.Family+".yaml", []byte(started.FamilyText))
	switch {
	case err != nil:
		return fmt.Errorf("run %s: its family file: %w", name, err)
	case s.family != nil && s.family.Hash() != family.Hash():
		return usage("family learn: run %s went by another file of family %s than the runs before it; take runs by one file", name, started.Family)
	case s.family != nil && s.unit != started.Unit:
		return usage("family learn: run %s is of unit %s, the runs before it of %s", name, started.Unit, s.unit)
	}
	s.family, s.unit, s.simulated = family, started.Unit, s.simulated || started.Simulated
	for _, e := range events {
		switch b := e.Body.(type) {
		case event.Check:
			s.check(b)
		case event.Chart:
			s.chart(b)
		}
	}
	return nil
}

func (s *school) check(k event.Check) {
	if k.Outcome != verdict.Pass || k.Reading == nil {
		return
	}
	u := 0.0
	if k.Uncertainty != nil {
		u = k.Uncertainty.Number
	}
	into := map[string]**drive.Lesson{"gate level on": &s.lessons.On, "gate level off": &s.lessons.Off, "dead time": &s.lessons.DeadTime,
		"capacitance": &s.lessons.Capacitance, "quiescent current": &s.lessons.Quiescent}[k.Name]
	if into != nil {
		take(into, *k.Reading, u)
	}
}

// chart tells the chopping frequency: its cells hold the period of every channel that was seen to chop.
func (s *school) chart(k event.Chart) {
	for _, row := range k.Rows {
		for _, cell := range row.Cells {
			if cell.Outcome == verdict.Pass && cell.Period > 0 {
				take(&s.lessons.Frequency, quantity.Hertz(1/float64(cell.Period)).Value(), 0)
			}
		}
	}
}

func take(into **drive.Lesson, v quantity.Value, u float64) {
	if *into == nil {
		*into = &drive.Lesson{Least: v, Most: v, U: u}
		return
	}
	l := *into
	l.U = max(l.U, u)
	if v.Number < l.Least.Number {
		l.Least = v
	}
	if v.Number > l.Most.Number {
		l.Most = v
	}
}
