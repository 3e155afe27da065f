package bench

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"benchwarden/instruments/datafile"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
)

// Needs is what a drive family asks of a bench. The zero value leaves out everything that depends on a family.
type Needs struct {
	Family  string
	Highest quantity.Volts // highest bus voltage of any stage
	Legs    []string
	Stages  map[string]map[string]Envelope // by stage and role
}

// Only leaves out all stages but one: what a single run needs.
func (n Needs) Only(stage string) Needs {
	n.Stages = map[string]map[string]Envelope{stage: n.Stages[stage]}
	return n
}

// Spoken is what a dialect tells for the checks of a bench file.
type Spoken struct {
	Kind        string // supply, meter, scope, hall, contacts, matrix, person
	OverCurrent string // level, on_cc, none
	Exchanges   int    // of one poll
	Characters  int    // of one poll, questions and answers together
	Gap         time.Duration
	FourWire    bool // a meter that reads resistance with four wires
}

// Spoke looks a dialect up by its name; the error names the near miss.
type Spoke func(dialect string) (Spoken, error)

// Findings are what is wrong with a bench file, and what only has to be known.
type Findings struct {
	Faults   datafile.Faults
	Warnings datafile.Faults
}

// Validate looks at everything that a file can be wrong in beside its syntax, with the needs of a family and what the dialects
// tell. Each fault is one line with file, line, key and what to write instead.
func (f *File) Validate(needs Needs, spoke Spoke) Findings {
	v := &validation{file: f, needs: needs, spoken: map[string]Spoken{}}
	v.bench()
	v.instruments(spoke)
	v.contacts()
	v.probes()
	v.matrix()
	v.period()
	v.limits()
	return v.Findings
}

// validation collects findings.
type validation struct {
	Findings
	file   *File
	needs  Needs
	spoken map[string]Spoken // by role
}

func (v *validation) fault(key, format string, args ...any) {
	v.Faults = append(v.Faults, v.file.doc.Fault(key, format, args...))
}

func (v *validation) warn(key, format string, args ...any) {
	v.Warnings = append(v.Warnings, v.file.doc.Fault(key, format, args...))
}

// word wants one of the words; empty is left to who calls.
func (v *validation) word(key, got string, words ...string) bool {
	if slices.Contains(words, got) {
		return true
	}
	v.fault(key, "%q is not known here%s", got, datafile.DidYouMean(got, words))
	return false
}

func (v *validation) bench() {
	f := v.file
	if strings.ContainsAny(f.Bench, "/\\ ") || strings.HasPrefix(f.Bench, ".") {
		v.fault("bench", "%q has to be one word without slashes: files are named after it", f.Bench)
	}
	if f.Calibration != "" {
		v.word("calibration", f.Calibration, SaidWhenDue, UndecidedWhenDue)
	}
	v.word("person", f.Person, "bench", "simulated")
	switch _, has := f.Instruments[Person]; {
	case f.Person == "bench":
		v.act()
	case f.Person == "simulated" && !has:
		v.fault("person", "is simulated, but no instrument has the role person: nobody would answer")
	}
	v.word("earthing.bus_feed", f.Earthing.BusFeed, "isolated", "not_isolated")
	v.word("earthing.control_common", f.Earthing.ControlCommon, "isolated", "bus_negative")
	for key, t := range map[string]quantity.Seconds{"hand_times.act": f.HandTimes.Act, "hand_times.file": f.HandTimes.File} {
		if !(t >= 0 && t <= longestAct) {
			v.fault(key, "%v: a person needs between nothing and %v for one act", t, longestAct)
		}
	}
	if v.word("limiter.kind", f.Limiter.Kind, "none", "lamp", "resistor", "fuse") && f.Limiter.Kind != "none" && f.Limiter.Value == "" {
		v.fault("limiter.value", "is missing: say which %s stands between capacitors and bridge", f.Limiter.Kind)
	}
	if f.SafeVoltage < 0 || f.SafeVoltage > defaultSafeVoltage {
		v.fault("safe_voltage", "%v is not between 0 V and %v d.c.", f.SafeVoltage, defaultSafeVoltage)
	}
	for key, figure := range map[string]float64{"ceilings.voltage": float64(f.Ceilings.Voltage), "ceilings.current": float64(f.Ceilings.Current),
		"period": float64(f.Period)} {
		if figure <= 0 {
			v.fault(key, "has to be above zero")
		}
	}
	if f.Interlock.Contact == "" {
		v.warn("interlock", "this bench has no interlock: it is never run unattended")
	} else if !f.Interlock.ActsInHardware {
		v.warn("interlock.acts_in_hardware", "the interlock does not act in hardware: this bench is never run unattended")
	}
}

// act looks how a person lets something be energised.
func (v *validation) act() {
	a := v.file.Act
	if !v.word("act.by", a.By, "console", "key", "pedal") {
		return
	}
	switch {
	case a.By == "console" && a.Console == "":
		v.fault("act.console", "is missing: name the terminal that stands at the bench, for example /dev/tty1")
	case a.By != "console" && a.Contact == "":
		v.fault("act.contact", "is missing: name the input that the %s closes", a.By)
	case a.By != "console":
		v.input("act.contact", a.Contact)
	}
	if a.Pedal == "" {
		return
	}
	switch {
	case !v.word("act.pedal", a.Pedal, "press", HoldToRun):
	case a.By == "console":
		v.fault("act.pedal", "is said of a key or pedal, and act.by is console")
	case a.Pedal == HoldToRun && a.Console != "":
		v.fault("act.console", "cannot be named beside pedal: %s: who typed the act would hold no pedal", HoldToRun)
	}
}

// input wants the name of an input of the contacts role.
func (v *validation) input(key, name string) {
	in := v.file.Instruments[Contacts]
	if in == nil {
		v.fault(key, "%q: this bench has no contacts", name)
		return
	}
	c, ok := in.Contacts[name]
	switch {
	case !ok:
		v.fault(key, "there is no contact %q%s", name, datafile.DidYouMean(name, slices.Collect(maps.Keys(in.Contacts))))
	case !c.Input:
		v.fault(key, "%q is an output; an input is needed: write input: true if it is one", name)
	}
}

// kinds says which kind of dialect plays a role, and which safe states its output has; none: it has no output.
var kinds = map[string]struct {
	kind string
	safe []string
}{
	Bus:         {"supply", []string{"off"}},
	Control:     {"supply", []string{"off", "leave"}},
	Reference:   {"supply", []string{"zero", "off"}},
	Load:        {"supply", []string{"off"}},
	Hall:        {"hall", []string{"off", "leave"}},
	BusMeter:    {"meter", nil},
	Meter:       {"meter", nil},
	Temperature: {"meter", nil},
	Scope:       {"scope", nil},
	Contacts:    {"contacts", nil},
	Matrix:      {"matrix", []string{"open"}},
	Person:      {"person", nil},
}

func (v *validation) instruments(spoke Spoke) {
	for _, role := range slices.Sorted(maps.Keys(v.file.Instruments)) {
		in, key := v.file.Instruments[role], "instruments."+role
		known, ok := kinds[role]
		if !ok {
			v.fault(key, "there is no such role%s", datafile.DidYouMean(role, Roles))
			continue
		}
		v.safe(key, in, known.safe)
		v.stated(key, in)
		v.fourWire(key, role, in)
		if in.Dialect == HandDialect {
			v.byHand(key, role, in)
			continue
		}
		if in.Files != "" || in.Channels != 0 {
			v.fault(key, "files and channels belong to a scope of the dialect %s", HandDialect)
		}
		if _, err := link.ParseAddress(in.Link); err != nil {
			v.fault(key+".link", "%v", err)
		}
		said, err := spoke(in.Dialect)
		switch {
		case err != nil:
			v.fault(key+".dialect", "%v", err)
			continue
		case said.Kind != known.kind:
			v.fault(key+".dialect", "%s speaks to a %s; the role %s needs a %s", in.Dialect, said.Kind, role, known.kind)
			continue
		}
		if role == Meter && in.FourWire && !said.FourWire {
			v.fault(key+".four_wire", "%s asks for no resistance with four wires (ohms_four_wire)", in.Dialect)
		}
		v.spoken[role] = said
		// The reference is a signal of some milliamperes; what it has is programmed, what it has not needs no reason.
		if (role == Bus || role == Control) && said.OverCurrent == "none" && in.NoProtection == "" {
			v.fault(key+".no_protection", "is missing: %s has no over-current protection of its own; say in words what protects the drive instead, the report repeats it", role)
		}
	}
	for _, sentence := range v.file.Unwatched() {
		if role, _, _ := strings.Cut(sentence, " "); v.file.Instruments[role] != nil {
			v.warn("instruments."+role, "%s", sentence)
		}
	}
	if v.file.Instruments[BusMeter] == nil {
		v.warn("instruments", "there is no bus_meter: nothing here can measure the bus down, a person has to prove it by hand each time")
	}
}

// fourWire refuses sense leads that cannot be: only a meter has them, and a matrix of two rows brings two wires to a point.
func (v *validation) fourWire(key, role string, in *Instrument) {
	switch {
	case !in.FourWire:
	case role != Meter:
		v.fault(key+".four_wire", "only the meter can have four wires")
	case v.file.Instruments[Matrix] != nil:
		v.fault(key+".four_wire", "the matrix brings two wires to a point: leave four_wire out, what leads and paths read is nulled then; or leave the matrix out")
	}
}

// byHand looks at what a person operates: a scope needs the folder of its files, and nothing that has to act by itself can be a person.
func (v *validation) byHand(key, role string, in *Instrument) {
	if role == Matrix || role == Person {
		v.fault(key+".dialect", "a %s cannot be operated by hand", role)
	}
	switch {
	case role != Scope && (in.Files != "" || in.Channels != 0):
		v.fault(key, "files and channels belong to the scope")
	case role == Scope && in.Files == "":
		v.fault(key+".files", "is missing: name the folder into which the scope's exports come, for example /media/stick")
	case role == Scope && in.Channels < 1:
		v.fault(key+".channels", "is missing: say how many channels the scope has")
	}
	for _, name := range slices.Sorted(maps.Keys(in.Contacts)) {
		c, at := in.Contacts[name], key+".contacts."+name
		switch {
		case c.Input && (name == v.file.Interlock.Contact || name == v.file.Act.Contact):
			v.fault(at, "%s cannot be looked at by hand: the program has to see it by itself", name)
		case name == BusContactor:
			v.fault(at, "the bus contactor cannot be operated by hand: it opens when the bus is to be cut off")
		case !c.Input && c.Safe != "leave":
			v.fault(at+".safe", "%q: what a person switches is left as it is (leave), so that make-safe asks for nothing but what feeds", c.Safe)
		}
	}
}

func (v *validation) safe(key string, in *Instrument, allowed []string) {
	switch {
	case len(allowed) == 0 && in.Safe != "":
		v.fault(key+".safe", "%q: this role has no output of its own to be made safe", in.Safe)
	case len(allowed) > 0 && in.Safe == "":
		v.fault(key+".safe", "is missing: name the safe state of its output: %s", strings.Join(allowed, " or "))
	case len(allowed) > 0:
		v.word(key+".safe", in.Safe, allowed...)
	}
}

// measurable are the quantities that an accuracy can be stated for.
var measurable = map[string]quantity.Unit{"voltage": quantity.Volt, "current": quantity.Ampere, "resistance": quantity.Ohm, "temperature": quantity.DegC}

// stated looks at what the file says of an instrument's accuracy and calibration.
func (v *validation) stated(key string, in *Instrument) {
	for _, name := range slices.Sorted(maps.Keys(in.Accuracy)) {
		at := key + ".accuracy." + name
		if !v.word(at, name, slices.Sorted(maps.Keys(measurable))...) {
			continue
		}
		v.ranges(at, in.Accuracy[name], measurable[name], name)
	}
	if in.CalibrationDue != "" {
		if _, err := time.Parse(time.DateOnly, in.CalibrationDue); err != nil {
			v.fault(key+".calibration_due", "%q is not a date: write it as 2027-03-31", in.CalibrationDue)
		}
	}
	if in.Sinks < 0 || in.OutputCapacitance < 0 || in.CurrentRange < 0 || in.VoltageRange < 0 {
		v.fault(key, "sinks, output_capacitance, current_range and voltage_range are not below zero")
	}
}

func (v *validation) contacts() {
	for _, role := range slices.Sorted(maps.Keys(v.file.Instruments)) {
		in := v.file.Instruments[role]
		if role != Contacts && len(in.Contacts) > 0 {
			v.fault("instruments."+role+".contacts", "contacts belong to the role contacts")
		}
	}
	in := v.file.Instruments[Contacts]
	if in != nil {
		at := map[string]string{}
		for _, name := range slices.Sorted(maps.Keys(in.Contacts)) {
			v.contact("instruments.contacts.contacts."+name, name, in.Contacts[name], at)
		}
	}
	if v.file.Interlock.Contact != "" {
		v.input("interlock.contact", v.file.Interlock.Contact)
	}
}

func (v *validation) contact(key, name string, c Contact, at map[string]string) {
	place := fmt.Sprintf("output %d", c.Channel)
	if c.Input {
		place = fmt.Sprintf("input %d", c.Channel)
		if c.Safe != "" {
			v.fault(key+".safe", "an input has no safe state")
		}
		if c.Normal != "" {
			v.word(key+".normal", c.Normal, "closed", "open")
		}
	} else if c.Safe == "" {
		v.fault(key+".safe", "is missing: name the safe state of the contact: open, closed or leave")
	} else {
		v.word(key+".safe", c.Safe, "open", "closed", "leave")
	}
	if other, taken := at[place]; taken {
		v.fault(key+".channel", "%s is %s already", place, other)
	}
	at[place] = name
}

// period holds the warden's period against what each wire can carry.
func (v *validation) period() {
	for _, role := range slices.Sorted(maps.Keys(v.spoken)) {
		in, said, period, key := v.file.Instruments[role], v.spoken[role], v.file.PeriodOf(role), "period"
		if in.Period > 0 {
			key = "instruments." + role + ".period"
		}
		if !polled(role) || period <= 0 {
			continue
		}
		wire := link.WireTime(in.Link, said.Characters)
		pauses := time.Duration(said.Exchanges) * said.Gap
		if least := wire + pauses; least > period.Duration() {
			v.fault(key, "%v is too short for %s: one poll is %d questions and answers of %d characters together, %v on its wire, and %d pauses of %v, so %v before the instrument has done anything",
				period, role, said.Exchanges, said.Characters, round(wire), said.Exchanges, round(said.Gap), round(least))
		}
	}
}

func polled(role string) bool {
	return slices.Contains([]string{Bus, Control, Reference, Load, BusMeter, Temperature}, role)
}

// limits holds the family's stages against the ceilings of the bench.
func (v *validation) limits() {
	c := v.file.Ceilings
	for _, stage := range slices.Sorted(maps.Keys(v.needs.Stages)) {
		roles := v.needs.Stages[stage]
		for _, role := range slices.Sorted(maps.Keys(roles)) {
			e, in := roles[role], v.file.Instruments[role]
			if in == nil {
				continue // what a script needs and the bench has not, the script's own check says
			}
			who := fmt.Sprintf("stage %s of family %s", stage, v.needs.Family)
			if e.Voltage > c.Voltage {
				v.fault("ceilings.voltage", "%v is below the %v that %s needs of %s", c.Voltage, e.Voltage, who, role)
			}
			if in.VoltageRange > 0 && e.Voltage > in.VoltageRange {
				v.fault("instruments."+role+".voltage_range", "%v is below the %v that %s needs", in.VoltageRange, e.Voltage, who)
			}
			limit, key := e.Current, "ceilings.current"
			if c.Current < limit {
				limit = c.Current
			}
			if in.CurrentRange > 0 && in.CurrentRange < limit {
				limit, key = in.CurrentRange, "instruments."+role+".current_range"
			}
			if e.TripCurrent > 0 && e.TripCurrent >= limit {
				v.fault(key, "the current limit of %s would be %v, but %s trips at %v: a trip limit that is not below the current limit can never act", role, limit, who, e.TripCurrent)
			}
		}
	}
}
