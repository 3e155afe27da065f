package station

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/drive"
	"benchwarden/daemon/keeper"
	"benchwarden/daemon/warden"
	"benchwarden/instruments/dialect"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
)

// CostedLimit is a trip limit as it would be in force, and what its persistence costs.
type CostedLimit struct {
	warden.Limit
	// Latency is the longest time from the crossing to the output off: the periods until enough readings have passed the
	// limit, the messages on the wire, and what the supply itself takes. Zero where no reading is judged.
	Latency quantity.Seconds
	// Energy is what the supply's current limit at the trip voltage lets through in that time; zero where the limit does not
	// watch a supply.
	Energy quantity.Joules
}

// Uncontrolled is how long the DC bus may be fed when the daemon hangs, and what the current limit lets through in that
// time. The charge that the bus capacitors hold already comes on top: no supply limits that.
type Uncontrolled struct {
	Time   quantity.Seconds
	Energy quantity.Joules
}

// messageLength is the characters of a question with its answer, or of an off command (the design's figure of 25, both ways).
const messageLength = 50

// CostOf are the limits that a run of a stage would have on a bench, what each costs, and the worst case of an uncontrolled
// bus. Nothing is touched.
func CostOf(family *drive.Family, stage drive.Stage, file *bench.File, dialects []string) ([]CostedLimit, Uncontrolled, error) {
	of := stageOf("", family, stage, "")
	limits := limitsFor(family, stage, file)
	var costed []CostedLimit
	for _, l := range limits {
		c := CostedLimit{Limit: l}
		role, _, _ := strings.Cut(l.Quantity, ".")
		if l.Quantity == bench.InterlockName {
			role = bench.Contacts
		}
		in := file.Instruments[role]
		if in == nil || l.Kind == warden.Age || l.Kind == warden.RunTime {
			costed = append(costed, c)
			continue
		}
		fed := role
		if role == bench.BusMeter || role == bench.Contacts {
			fed = bench.Bus
		}
		off, err := offTime(file, fed, dialects)
		if err != nil {
			return nil, Uncontrolled{}, err
		}
		// A crossing just after a reading waits one period for the first that shows it; M - N good ones may lie between.
		c.Latency = quantity.Seconds(l.M)*file.PeriodOf(role) + quantity.SecondsOf(link.WireTime(in.Link, messageLength)) + off
		c.Energy = energy(of.Supplies[fed], file.Ceilings, c.Latency)
		costed = append(costed, c)
	}
	off, err := offTime(file, bench.Bus, dialects)
	if err != nil {
		return nil, Uncontrolled{}, err
	}
	u := Uncontrolled{Time: quantity.SecondsOf(keeper.Silence+keeper.Reach) + off}
	u.Energy = energy(of.Supplies[bench.Bus], file.Ceilings, u.Time)
	return costed, u, nil
}

// energy is what a supply's current limit lets through at the trip voltage, both as the bench's ceilings leave them.
func energy(e bench.Envelope, c bench.Ceilings, lasts quantity.Seconds) quantity.Joules {
	return quantity.Joules(float64(min(e.TripVoltage, c.Voltage)) * float64(min(e.Current, c.Current)) * float64(lasts))
}

// offTime is the off command on the wire and the supply's own time until it acts; zero for a bench without that role and
// for one that a person switches.
func offTime(file *bench.File, role string, dialects []string) (quantity.Seconds, error) {
	in := file.Instruments[role]
	if in == nil || in.Dialect == bench.HandDialect {
		return 0, nil
	}
	d, err := dialect.LoadNamed(dialects, in.Dialect)
	if err != nil {
		return 0, err
	}
	return quantity.SecondsOf(link.WireTime(in.Link, messageLength)) + d.TakesEffectWithin, nil
}

// CheckChange says whether limits may be given to a stage, as far as a bench is concerned: none above its ceilings, and no
// more energy let through by a bus that nobody controls than the family allows.
func CheckChange(family *drive.Family, stage drive.Stage, file *bench.File, dialects []string) error {
	l, c := family.Stages[stage], file.Ceilings
	var faults []error
	for _, v := range []struct {
		key          string
		value, limit quantity.Value
	}{
		{"bus_voltage", l.BusVoltage.Value(), c.Voltage.Value()},
		{"control_voltage", l.ControlVoltage.Value(), c.Voltage.Value()},
		{"current_limit", l.CurrentLimit.Value(), c.Current.Value()},
		{"control_current_limit", l.ControlLimit.Value(), c.Current.Value()},
	} {
		if !(v.value.Number <= v.limit.Number) {
			faults = append(faults, fmt.Errorf("family %s, stage %s: %s: %v is above %v, the ceiling of bench %s", family.Name, stage, v.key,
				v.value, v.limit, file.Bench))
		}
	}
	return errors.Join(append(faults, checkProtection(family, stage, file, dialects), CheckUncontrolled(family, stage, file, dialects))...)
}

// checkProtection refuses limits that a supply's own protection cannot stand above: it could then not be set, or act first.
func checkProtection(family *drive.Family, stage drive.Stage, file *bench.File, dialects []string) error {
	var faults []error
	for _, role := range []string{bench.Bus, bench.Control} {
		in, e := file.Instruments[role], stageOf("", family, stage, "").Supplies[role]
		if in == nil || in.Dialect == bench.HandDialect || e.Voltage == 0 {
			continue
		}
		d, err := dialect.LoadNamed(dialects, in.Dialect)
		if err != nil {
			return err
		}
		want := bench.Protection(bench.Output{Role: role}, e)
		for _, p := range []struct {
			name  string
			value quantity.Value
		}{{"over_voltage", want.Voltage.Value()}, {"over_current", want.Current.Value()}} {
			if most, has := d.Ranges[p.name]; has && !(p.value.Number <= most.Max.Number) {
				faults = append(faults, fmt.Errorf("family %s, stage %s: the supply's own protection (%s of %s on bench %s) would have to stand at %v, a little past the limit; it reaches %v",
					family.Name, stage, strings.ReplaceAll(p.name, "_", "-"), role, file.Bench, p.value, most.Max))
			}
		}
	}
	return errors.Join(faults...)
}

// CheckUncontrolled refuses limits that would let through more than the family's uncontrolled_energy.
func CheckUncontrolled(family *drive.Family, stage drive.Stage, file *bench.File, dialects []string) error {
	most := family.Stages[stage].UncontrolledEnergy
	if most == 0 {
		return nil
	}
	_, u, err := CostOf(family, stage, file, dialects)
	if err != nil {
		return err
	}
	if !(u.Energy <= most) {
		return fmt.Errorf("family %s, stage %s, bench %s: when nothing controls the bus, the current limit lets through %v in %v; the family allows %v: lower current_limit or bus_voltage",
			family.Name, stage, file.Bench, u.Energy, u.Time, most)
	}
	return nil
}

// noticeEdits writes limits that were changed by hand into the family's history and says so in the run's record.
func noticeEdits(family *drive.Family) (remark string) {
	c, err := family.NoticeEdits(time.Now())
	if err != nil {
		return fmt.Sprintf("the limits history of family %s could not be kept: %v", family.Name, err)
	}
	if c == nil {
		return ""
	}
	var all []string
	for _, d := range c.Changed {
		all = append(all, fmt.Sprintf("%s from %s to %s", d.Limit, given(d.Before), given(d.After)))
	}
	return fmt.Sprintf("the limits of family %s were edited by hand: %s", family.Name, strings.Join(all, ", "))
}

func given(text string) string {
	if text == "" {
		return "not given"
	}
	return text
}
