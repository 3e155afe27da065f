package station

import (
	"fmt"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/drive"
	"benchwarden/daemon/warden"
	"benchwarden/instruments/quantity"
)

// agePeriods is how many of its own periods a reading may be old (common practice, no source).
const agePeriods = 3

// setValueMargin is what a voltage may stand above its set value; the warden takes 5 % where that is more (common practice,
// no source).
const setValueMargin quantity.Volts = 2

// limitsFor are the trip limits of a stage on a bench, each the tighter of family and bench, with where it came from.
func limitsFor(family *drive.Family, stage drive.Stage, file *bench.File) []warden.Limit {
	s := family.Stages[stage]
	fromFamily := fmt.Sprintf("family %s, stage %s", family.Name, stage)
	fromBench := fmt.Sprintf("ceiling of bench %s", file.Bench)
	volts := func(v quantity.Volts) (quantity.Value, string) {
		if v == 0 || file.Ceilings.Voltage < v {
			return file.Ceilings.Voltage.Value(), fromBench
		}
		return v.Value(), fromFamily
	}
	amperes := func(a quantity.Amperes) (quantity.Value, string) {
		if a == 0 || file.Ceilings.Current < a {
			return file.Ceilings.Current.Value(), fromBench
		}
		return a.Value(), fromFamily
	}
	var limits []warden.Limit
	add := func(name string, kind warden.Kind, v quantity.Value, origin string) {
		l := warden.NewLimit(name, kind, v, origin)
		if p, ok := s.Persistence[persistenceKey(kind, v.Unit)]; ok {
			l.N, l.M = p.N, p.M
			l.Origin += fmt.Sprintf(", %v by family %s", p, family.Name)
		}
		limits = append(limits, l)
	}
	supply := func(role string, v quantity.Volts, a quantity.Amperes) {
		value, origin := volts(v)
		add(role+".voltage", warden.High, value, origin)
		add(role+".voltage", warden.SetValue, setValueMargin.Value(), "5 % or 2 V above the set value")
		value, origin = amperes(a)
		add(role+".current", warden.Settled, value, origin)
		add(role+".mode", warden.ConstantCurrent, quantity.Value{Unit: quantity.One}, fromFamily)
		add(role+".protection", warden.Protection, quantity.Value{Unit: quantity.One}, "bench "+file.Bench)
		for _, of := range []string{".voltage", ".current", ".mode"} {
			age(add, file, role, role+of)
		}
	}
	// What a person reads on request is not polled: the warden cannot watch it.
	polled := func(role string) bool {
		in, ok := file.Instruments[role]
		return ok && in.Dialect != bench.HandDialect
	}
	if polled(bench.Bus) {
		supply(bench.Bus, s.BusVoltage, s.BusCurrent)
		if s.RampTime > 0 {
			add(bench.Bus+".voltage", warden.RampTime, s.RampTime.Value(), fromFamily)
		}
		if s.RampEnergy > 0 {
			add(bench.Bus+".current", warden.RampEnergy, s.RampEnergy.Value(), fromFamily)
		}
		if p := file.Ceilings.Power; p > 0 {
			add(bench.Bus+".current", warden.Power, p.Value(), fromBench)
		}
	}
	if polled(bench.BusMeter) {
		value, origin := volts(s.BusVoltage)
		add(bench.BusMeter+".voltage", warden.High, value, origin)
		add(bench.BusMeter+".voltage", warden.SetValue, setValueMargin.Value(), "5 % or 2 V above the set value")
		if polled(bench.Bus) {
			drop := quantity.Volts(float64(family.Bus.SoftCharge) * float64(s.BusCurrent))
			add(bench.BusMeter+".voltage", warden.Apart, (setValueMargin + drop).Value(), "supply and meter on one bus, bench "+file.Bench)
		}
		age(add, file, bench.BusMeter, bench.BusMeter+".voltage")
	}
	if polled(bench.Control) && family.Control.Feed == drive.Separate {
		supply(bench.Control, s.ControlVoltage, s.ControlCurrent)
	}
	// Once the drive's control section runs, its gates are defined only as long as its supply stays above where it stops.
	if role, fed := feedOf(family); fed && polled(role) {
		add(role+".voltage", warden.Collapse, family.Control.Stop.Value(), "where the control section of family "+family.Name+" stops")
	}
	if polled(bench.Temperature) && s.Temperature > 0 {
		name := bench.Temperature + ".value"
		add(name, warden.High, s.Temperature.Value(), fromFamily)
		age(add, file, bench.Temperature, name)
	}
	if file.Interlock.Contact != "" {
		add(bench.InterlockName, warden.Interlock, quantity.Value{Unit: quantity.One}, "bench "+file.Bench)
		age(add, file, bench.Contacts, bench.InterlockName)
	}
	if s.RunTime > 0 {
		add("run", warden.RunTime, s.RunTime.Value(), fromFamily)
	}
	return limits
}

// feedOf is the supply that the drive's control section lives on, fed false where the family does not say when it stops.
func feedOf(family *drive.Family) (role string, fed bool) {
	if family.Control.Feed == drive.Separate {
		return bench.Control, family.Control.Stop > 0
	}
	return bench.Bus, family.Control.Stop > 0
}

// persistenceKey is the name under which a family may say how often a limit has to be passed; empty where it may not.
func persistenceKey(kind warden.Kind, unit quantity.Unit) string {
	switch {
	case kind == warden.High && unit == quantity.DegC:
		return drive.PersistTemperature
	case kind == warden.High || kind == warden.SetValue:
		return drive.PersistOverVoltage
	case kind == warden.Settled:
		return drive.PersistOverCurrent
	case kind == warden.Power:
		return drive.PersistOverPower
	case kind == warden.ConstantCurrent:
		return drive.PersistConstantCurrent
	case kind == warden.Apart:
		return drive.PersistLeadOff
	}
	return ""
}

// age limits how old a reading may be: some of its own instrument's periods.
func age(add func(string, warden.Kind, quantity.Value, string), file *bench.File, role, name string) {
	period := file.PeriodOf(role)
	add(name, warden.Age, (agePeriods * period).Value(), fmt.Sprintf("%d periods of %v of bench %s", agePeriods, period, file.Bench))
}

// stageOf is what a stage lets the bench's supplies do, and the drive that they feed.
func stageOf(run string, family *drive.Family, stage drive.Stage, unit string) bench.Stage {
	s := family.LimitsFor(stage)
	supplies := map[string]bench.Envelope{
		bench.Bus:       envelope(s.BusVoltage, s.BusCurrent, s.CurrentLimit),
		bench.Reference: {Voltage: family.Reference.FullScale},
	}
	if family.Control.Feed == drive.Separate {
		supplies[bench.Control] = envelope(s.ControlVoltage, s.ControlCurrent, s.ControlLimit)
	}
	b := family.Bus
	least, most := func(v, within float64) float64 { return v * (1 - within) }, func(v, within float64) float64 { return v * (1 + within) }
	d := bench.Drive{
		CapacitanceLeast: quantity.Farads(least(float64(b.Capacitance), float64(b.CapWithin))),
		CapacitanceMost:  quantity.Farads(most(float64(b.Capacitance), float64(b.CapWithin))),
		BleederLeast:     quantity.Ohms(least(float64(b.Bleeder), float64(b.BleedWithin))),
		BleederMost:      quantity.Ohms(most(float64(b.Bleeder), float64(b.BleedWithin))),
		ControlHold:      family.Control.Hold.Duration(),
	}
	if family.Control.Feed == drive.FromBus {
		d.ControlPower, d.ControlStop = family.Control.Power, family.Control.Stop
	}
	return bench.Stage{Run: run, Name: string(stage), Unit: unit, Fitted: stage == drive.Fitted || stage == drive.Soak, Supplies: supplies, Drive: d}
}

// envelope keeps setpoints far enough below the trip limit that a good supply never trips: 5 % or 2 V, as the warden counts.
func envelope(trip quantity.Volts, quiescent, limit quantity.Amperes) bench.Envelope {
	return bench.Envelope{Voltage: trip - max(setValueMargin, trip/20), Current: limit, TripVoltage: trip, TripCurrent: quiescent}
}

// NeedsOf is what a family asks of a bench, stage by stage, for the stages whose scripts may be run without a job.
func NeedsOf(family *drive.Family) bench.Needs { return needsFor(family, openStages...) }

func needsFor(family *drive.Family, stages ...drive.Stage) bench.Needs {
	needs := bench.Needs{Family: family.Name, Legs: family.Bridge.Legs, Stages: map[string]map[string]bench.Envelope{}}
	for _, stage := range stages {
		if _, ok := family.Stages[stage]; !ok {
			continue
		}
		of := stageOf("", family, stage, "")
		needs.Stages[string(stage)] = of.Supplies
		needs.Highest = max(needs.Highest, of.Supplies[bench.Bus].TripVoltage)
	}
	return needs
}
