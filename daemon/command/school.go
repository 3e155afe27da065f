package command

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/record"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// school gathers what the runs on good units show.
type school struct {
	family     *drive.Family
	units      map[string]bool
	simulated  bool
	figures    map[string]*figure
	discharges map[string][]discharge // by unit
}

// figure is what was seen of one figure of a family file.
type figure struct {
	lesson drive.Lesson
	by     map[subject][]float64
}

// subject is what a reading was taken on.
type subject struct{ unit, name string }

// discharge is the time constant of a bus, with the one that the family's own figures gave on that bench.
type discharge struct {
	seen, nominal quantity.Seconds
	u             float64
}

// frequency is told by the gate chart, not by a check.
const frequency = "chopping frequency"

// learnable are the checks whose readings are figures of a family file.
var learnable = []string{"gate level on", "gate level off", "dead time", "rail voltage", "rail ripple", "capacitance", "quiescent current",
	"quiescent current fitted", "bus ripple"}

func (s *school) named() string {
	units := slices.Sorted(maps.Keys(s.units))
	if len(units) == 1 {
		return "unit " + units[0]
	}
	return fmt.Sprintf("%d units", len(units))
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
	case s.family != nil && s.simulated != started.Simulated:
		return usage("family learn: some of these runs were simulated and some were not, %s unlike those before it; take the ones or the others", name)
	}
	s.family, s.simulated, s.units[started.Unit] = family, started.Simulated, true
	for _, e := range events {
		switch b := e.Body.(type) {
		case event.Check:
			s.check(started.Unit, b)
		case event.Chart:
			s.chart(started.Unit, b)
		}
	}
	return nil
}

func (s *school) check(unit string, k event.Check) {
	if k.Outcome != verdict.Pass || k.Reading == nil {
		return
	}
	u := 0.0
	if k.Uncertainty != nil {
		u = k.Uncertainty.Number
	}
	switch {
	case k.Name == "discharge" && k.Low != nil && k.High != nil:
		// Its limits lie evenly about what the family's figures come to together with the supply's own capacitance.
		d := discharge{quantity.Seconds(k.Reading.Number), quantity.Seconds((k.Low.Number + k.High.Number) / 2), u}
		s.discharges[unit] = append(s.discharges[unit], d)
	case k.Name == "rail voltage" || k.Name == "rail ripple":
		s.take(k.Name+" "+k.Subject, subject{unit, ""}, *k.Reading, u)
	case slices.Contains(learnable, k.Name):
		s.take(k.Name, subject{unit, k.Subject}, *k.Reading, u)
	}
}

// chart tells the chopping frequency: its cells hold the period of every channel that was seen to chop.
func (s *school) chart(unit string, k event.Chart) {
	for _, row := range k.Rows {
		for _, cell := range row.Cells {
			if cell.Outcome == verdict.Pass && cell.Period > 0 {
				s.take(frequency, subject{unit, row.Channel}, quantity.Hertz(1/float64(cell.Period)).Value(), 0)
			}
		}
	}
}

func (s *school) take(name string, of subject, v quantity.Value, u float64) {
	f := s.figures[name]
	if f == nil {
		f = &figure{lesson: drive.Lesson{Least: v, Most: v}, by: map[subject][]float64{}}
		s.figures[name] = f
	}
	f.by[of] = append(f.by[of], v.Number)
	l := &f.lesson
	l.U = max(l.U, u)
	if v.Number < l.Least.Number {
		l.Least = v
	}
	if v.Number > l.Most.Number {
		l.Most = v
	}
}

// bleeders holds each unit's discharge against its own capacitance. It gives what of the bench was discharged with the bus.
func (s *school) bleeders() (beside quantity.Farads) {
	c := s.figures["capacitance"]
	if c == nil {
		return 0
	}
	for unit, all := range s.discharges {
		own := c.by[subject{unit, "bus"}]
		if len(own) == 0 {
			continue
		}
		of := stat.Mean(own, nil)
		for _, d := range all {
			r, supply := s.family.Bus.BleederBehind(d.seen, d.nominal, quantity.Farads(of))
			beside = max(beside, supply)
			s.take("bleeder", subject{unit, "bus"}, r.Value(), float64(r)*math.Hypot(d.u/float64(d.seen), c.lesson.U/(of+float64(supply))))
		}
	}
	return beside
}

func (s *school) lessons() drive.Lessons {
	beside := s.bleeders()
	// of is a lesson with one reading a unit and subject; worst is one of readings that are the worst of many.
	worst := func(name string) *drive.Lesson {
		f := s.figures[name]
		if f == nil {
			return nil
		}
		l, units := f.lesson, map[string]bool{}
		for of := range f.by {
			units[of.unit] = true
		}
		l.Units = len(units)
		return &l
	}
	of := func(name string) *drive.Lesson {
		l := worst(name)
		if l != nil {
			for _, readings := range s.figures[name].by {
				l.Each = append(l.Each, stat.Mean(readings, nil))
			}
		}
		return l
	}
	rails := func(name string) map[string]*drive.Lesson {
		all := map[string]*drive.Lesson{}
		for rail := range s.family.Rails {
			all[rail] = of(name + " " + rail)
		}
		return all
	}
	return drive.Lessons{On: worst("gate level on"), Off: worst("gate level off"), DeadTime: worst("dead time"), Frequency: of(frequency),
		Rails: rails("rail voltage"), Ripples: rails("rail ripple"), Capacitance: of("capacitance"), Bleeder: of("bleeder"), SupplyCapacity: beside,
		Quiescent: of("quiescent current"), FittedQuiescent: of("quiescent current fitted"), LoadRipple: of("bus ripple")}
}
