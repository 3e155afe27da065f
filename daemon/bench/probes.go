package bench

import (
	"fmt"
	"slices"
	"strings"
)

// probes looks how scope channels and meters reach the test points, and what they would tie to earth there.
func (v *validation) probes() {
	taken := map[string]string{}
	for i, p := range v.file.Probes {
		key := fmt.Sprintf("probes[%d]", i)
		if other, twice := taken[p.Name]; twice {
			v.fault(key+".name", "%s stands twice, first as %s", p.Name, other)
		}
		taken[p.Name] = key
		if p.Role != Scope && p.Role != Meter && p.Role != BusMeter {
			v.word(key+".role", p.Role, Scope, Meter, BusMeter)
		} else if v.file.Instruments[p.Role] == nil {
			v.fault(key+".role", "this bench has no %s", p.Role)
		}
		if p.Role == Scope {
			place := fmt.Sprintf("scope channel %d", p.Channel)
			if other, twice := taken[place]; twice {
				v.fault(key+".channel", "%s carries %s already", place, other)
			}
			taken[place] = p.Name
			if p.Channel < 1 {
				v.fault(key+".channel", "is missing: which scope channel carries %s", p.Name)
			}
		}
		if p.Factor <= 0 {
			v.fault(key+".factor", "%v is not above zero", p.Factor)
		}
		if v.word(key+".kind", p.Kind, Differential, Earthed, Isolated) && v.point(key, p) {
			v.earth(key, p)
		}
	}
	for _, role := range []string{Control, Reference, Hall, Meter, BusMeter, Scope, Contacts} {
		if in := v.file.Instruments[role]; in != nil && in.Earthed {
			v.earthedSource(role)
		}
	}
	v.legs()
}

// point looks at the test point's name; false: what it would touch is not known.
func (v *validation) point(key string, p Probe) bool {
	if p.At == "" {
		return true
	}
	kind, rest, _ := strings.Cut(p.At, ":")
	switch kind {
	case "bus", "control":
		if rest == "" {
			return true
		}
	case "rail", "phase":
		if rest != "" {
			return true
		}
	case "gate", "driver":
		leg, side, _ := strings.Cut(rest, ".")
		if leg != "" && side != "" {
			return v.legKnown(key, p, leg)
		}
	}
	v.fault(key+".at", `%q is no test point: write "gate:A.high", "gate:{leg}.high", "driver:A.high", "rail:<name>", "phase:A", "bus" or "control"`, p.At)
	return false
}

func (v *validation) legKnown(key string, p Probe, leg string) bool {
	if v.needs.Family == "" || leg == "{leg}" || slices.Contains(v.needs.Legs, leg) {
		return true
	}
	v.fault(key+".at", "%s: family %s has no leg %s, it has %s", p.At, v.needs.Family, leg, strings.Join(v.needs.Legs, ", "))
	return false
}

// onBus tells whether a test point hangs on the drive's bus, and floats whether it moves against bus negative.
func (p Probe) onBus() (onBus, floats bool) {
	kind, _, _ := strings.Cut(p.At, ":")
	switch kind {
	case "bus":
		return true, false
	case "phase":
		return true, true
	case "gate", "driver":
		return true, strings.HasSuffix(p.At, ".high")
	}
	return false, false
}

// earth refuses what would tie a hot common to earth, and a probe that the bus would break through.
func (v *validation) earth(key string, p Probe) {
	onBus, floats := p.onBus()
	hotBus, hotControl := v.hot()
	switch {
	case p.Kind == Earthed && p.At == "" && (hotBus != "" || hotControl != ""):
		v.fault(key+".kind", "%s is earthed and has no fixed place, but %s: use a differential or isolated probe", p.Name, firstOf(hotBus, hotControl))
	case p.Kind == Earthed && onBus && hotBus != "":
		v.fault(key+".kind", "%s is earthed at %s, but %s: use a differential or isolated probe", p.Name, p.At, hotBus)
	case p.Kind == Earthed && floats:
		v.fault(key+".kind", "%s is earthed at %s, whose source moves with the switch node: use a differential or isolated probe", p.Name, p.At)
	case p.Kind == Earthed && !onBus && hotControl != "":
		v.fault(key+".kind", "%s is earthed at %s, but %s: use a differential or isolated probe", p.Name, p.At, hotControl)
	case p.Kind == Earthed || v.needs.Family == "" || (!onBus && p.At != "" && hotControl == ""):
		return
	case p.MaxCommonMode < v.needs.Highest:
		v.fault(key+".max_common_mode", "%s stands %v at most, but family %s has up to %v on its bus", p.Name, p.MaxCommonMode, v.needs.Family, v.needs.Highest)
	}
}

// earthedSource refuses an earthed instrument whose common is tied to a hot one of the drive.
func (v *validation) earthedSource(role string) {
	hotBus, hotControl := v.hot()
	switch {
	case role == BusMeter && hotBus != "":
		v.fault("instruments."+role+".earthed", "the %s is earthed and stands on the bus, but %s: use one that floats", role, hotBus)
	case (role == Control || role == Reference || role == Hall || role == Contacts) && hotControl != "":
		v.fault("instruments."+role+".earthed", "the %s is earthed, but %s: use one that floats", role, hotControl)
	}
}

// hot says why the bus and the control common may not be earthed; empty: they may.
func (v *validation) hot() (bus, control string) {
	e := v.file.Earthing
	if e.BusFeed == "not_isolated" {
		bus = "the bus feed is not isolated from the mains, so bus negative is live against earth"
	}
	if e.ControlCommon == "bus_negative" {
		control = "the control common is bus negative"
		if bus != "" {
			control += ", and " + bus
		}
	}
	return bus, control
}

func firstOf(texts ...string) string {
	for _, t := range texts {
		if t != "" {
			return t
		}
	}
	return ""
}

// legs wants a probe at both gates of each leg of the family, where there is a scope.
func (v *validation) legs() {
	if v.file.Instruments[Scope] == nil {
		if len(v.needs.Legs) > 0 {
			v.warn("instruments", "there is no scope: what the gates do is not shown on this bench, beyond what a trace file shows")
		}
		return
	}
	for _, leg := range v.needs.Legs {
		for _, side := range []string{"high", "low"} {
			point := "gate:" + leg + "." + side
			if !slices.ContainsFunc(v.file.Probes, func(p Probe) bool { return p.On(leg) == point }) {
				v.fault("probes", "no probe reaches %s of family %s", point, v.needs.Family)
			}
		}
	}
}

// ProbesFor are the probes that stand on a leg's test points, by point, when they are placed for that leg.
func (f *File) ProbesFor(leg string) map[string]Probe {
	at := map[string]Probe{}
	for _, p := range f.Probes {
		if p.At != "" {
			at[p.On(leg)] = p
		}
	}
	return at
}
