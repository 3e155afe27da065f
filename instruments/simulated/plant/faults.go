package plant

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"benchwarden/instruments/quantity"
)

// Class says which part of the drive a kind of fault belongs to.
type Class string

// The classes of faults.
const (
	ClassCold       Class = "cold"
	ClassRails      Class = "rails"
	ClassBoard      Class = "board"
	ClassHall       Class = "hall"
	ClassPermissive Class = "permissive"
	ClassReference  Class = "reference"
	ClassBus        Class = "bus"
	ClassFitted     Class = "fitted"
)

// Kind is one kind of fault: its name, what it can hit, how it is sized.
type Kind struct {
	Name  string
	Class Class
	Text  string // what is wrong, in the trade's words
	// Target says what follows the colon: channel, channel of a bootstrap, pair, leg, rail, permissive, sense, line, lines,
	// polarity, stand-in, diode (of the rectifier); empty: nothing.
	Target         string
	TargetOptional bool   // without one it hits all, or the only one
	Unit           string // of the size: V, A, s, Ω, part (of the good value), count; empty: no size
	Signed         bool
	Default        string // the size when none is given, in words

	size func(p Params, target string) float64
}

const (
	part  = "part"
	count = "count"
)

func (k Kind) unit() quantity.Unit {
	u, ok := quantity.UnitOf(k.Unit)
	if !ok {
		return quantity.One
	}
	return u
}

// Example is a fault of this kind as ParseFault reads it.
func (k Kind) Example() string {
	s := k.Name
	if t, ok := exampleTarget[k.Target]; ok {
		s += ":" + t
	}
	switch k.Unit {
	case "":
	case part:
		s += "=0.5"
	case count:
		s += "=50"
	case "s":
		s += "=500 ns"
	default:
		s += "=2 " + k.Unit
	}
	return s
}

var exampleTarget = map[string]string{
	"channel": "B.low", "pair": "A.high,B.high", "leg": "A", "rail": "logic", "permissive": "enable", "sense": "thermal",
	"line": "2", "lines": "1,2", "polarity": "negative", "stand-in": "switch_node_jumpers",
	"high side": "A.high", "legs": "A,B", "diode": "L1.plus",
}

// Faults is the table of all kinds of fault, in the order of the job.
func Faults() []Kind { return slices.Clone(kinds) }

func always(x float64) func(Params, string) float64 { return func(Params, string) float64 { return x } }

var kinds = []Kind{
	{Name: "rail_low", Class: ClassRails, Text: "a rail is low", Target: "rail", Unit: part, Default: "0.85 of nominal", size: always(0.85)},
	{Name: "rail_missing", Class: ClassRails, Text: "a rail is missing", Target: "rail"},
	{Name: "rail_noisy", Class: ClassRails, Text: "noise on a rail, peak to peak", Target: "rail", Unit: "V", Default: "4 times the tolerated ripple", size: rippleOf},
	{Name: "rail_ripple_cold", Class: ClassRails, Text: "ripple at 100 kHz that goes as the rail warms up within minutes (dried capacitor), peak to peak", Target: "rail", Unit: "V", Default: "4 times the tolerated ripple", size: rippleOf},

	{Name: "channel_dead", Class: ClassBoard, Text: "a gate driver gives nothing: 0 V, no edges", Target: "channel"},
	{Name: "stuck_on", Class: ClassBoard, Text: "a gate stands at its on level", Target: "channel"},
	{Name: "stuck_off", Class: ClassBoard, Text: "a gate stands at its off level", Target: "channel"},
	{Name: "low_drive_level", Class: ClassBoard, Text: "a gate's on level is low while its driver's rail is right", Target: "channel", Unit: part, Default: "0.7 of the good level", size: always(0.7)},
	{Name: "no_negative_bias", Class: ClassBoard, Text: "a gate goes to 0 V instead of its negative off level", Target: "channel"},
	{Name: "weak_driver", Class: ClassBoard, Text: "a driver's output resistance is high, or the gate resistor: slow edges into a gate load, invisible without", Target: "channel", Unit: "Ω", Default: "80 Ω", size: always(80)},
	{Name: "slow_rise", Class: ClassBoard, Text: "a gate rises slowly, whatever its load; 10 to 90 %", Target: "channel", Unit: "s", Default: "2.5 times the tolerated rise", size: func(p Params, _ string) float64 { return 2.5 * float64(p.Gate.Rise) }},
	{Name: "slow_fall", Class: ClassBoard, Text: "a gate falls slowly, whatever its load; 10 to 90 %", Target: "channel", Unit: "s", Default: "2.5 times the tolerated fall", size: func(p Params, _ string) float64 { return 2.5 * float64(p.Gate.Fall) }},
	{Name: "late_pulses", Class: ClassBoard, Text: "both edges of a channel come late", Target: "channel", Unit: "s", Default: "the shortest dead time", size: func(p Params, _ string) float64 { return float64(p.Modulation.DeadTime.Shortest) }},
	{Name: "narrow_pulses", Class: ClassBoard, Text: "a channel turns on late and off in time (aged coupler)", Target: "channel", Unit: "s", Default: "a tenth of the period", size: func(p Params, _ string) float64 { return 0.1 / float64(p.Modulation.Frequency) }},
	{Name: "ringing", Class: ClassBoard, Text: "a gate rings after its edges; part of the swing", Target: "channel", Unit: part, Default: "0.4", size: always(0.4)},
	{Name: "channels_swapped", Class: ClassBoard, Text: "two channels are exchanged between logic and drivers", Target: "pair"},
	{Name: "dead_time_missing", Class: ClassBoard, Text: "no dead time", Target: "leg", TargetOptional: true},
	{Name: "dead_time_short", Class: ClassBoard, Text: "dead time too short", Target: "leg", TargetOptional: true, Unit: "s", Default: "0.4 of the shortest", size: func(p Params, _ string) float64 { return 0.4 * float64(p.Modulation.DeadTime.Shortest) }},
	{Name: "dead_time_long", Class: ClassBoard, Text: "dead time too long", Target: "leg", TargetOptional: true, Unit: "s", Default: "1.6 times the longest", size: func(p Params, _ string) float64 { return 1.6 * float64(p.Modulation.DeadTime.Longest) }},
	{Name: "overlap_one_edge", Class: ClassBoard, Text: "both gates of a leg are on together, only where the high side turns off", Target: "leg", TargetOptional: true, Unit: "s", Default: "0.5 us", size: always(0.5e-6)},
	{Name: "pulses_missing", Class: ClassBoard, Text: "a channel leaves out one pulse in so many, irregularly", Target: "channel", Unit: count, Default: "50", size: always(50)},
	{Name: "jitter", Class: ClassBoard, Text: "the chopping period jitters, peak to peak", Unit: "s", Default: "6 times the tolerated jitter", size: jitterOf},
	{Name: "twitch_power_up", Class: ClassBoard, Text: "a gate goes on for a moment as the rails come up", Target: "channel", Unit: "s", Default: "500 us", size: always(500e-6)},
	{Name: "twitch_brown_out", Class: ClassBoard, Text: "a gate goes on for a moment as the control section gives up", Target: "channel", Unit: "s", Default: "500 us", size: always(500e-6)},
	{Name: "bootstrap_diode_open", Class: ClassBoard, Text: "a bootstrap diode is open: that driver has no supply", Target: "high side"},
	{Name: "bootstrap_capacitor", Class: ClassBoard, Text: "a bootstrap capacitor is dried: the on level sags by this part while it lasts", Target: "high side", Unit: part, Default: "0.45", size: always(0.45)},
	{Name: "undervoltage_lockout_dead", Class: ClassBoard, Text: "the control section runs on below its stop voltage and its rails sag with the supply"},

	{Name: "sense_always_reports", Class: ClassPermissive, Text: "a sense line reports a fault whatever is fitted", Target: "sense", TargetOptional: true},
	{Name: "sense_never_reports", Class: ClassPermissive, Text: "a sense line does not notice that its part is missing", Target: "sense", TargetOptional: true},
	{Name: "permissive_stuck_given", Class: ClassPermissive, Text: "a permissive's withdrawal is not seen", Target: "permissive"},
	{Name: "permissive_stuck_away", Class: ClassPermissive, Text: "a permissive is never seen", Target: "permissive"},
	{Name: "permissive_slow", Class: ClassPermissive, Text: "the drive acts late on a permissive's withdrawal", Target: "permissive", Unit: "s", Default: "5 times the family's time, at least 20 ms", size: withinOf},
	{Name: "inhibit_slow", Class: ClassPermissive, Text: "the drive acts late on inhibit", Unit: "s", Default: "5 times the family's time, at least 20 ms", size: withinOf},
	{Name: "fault_not_latched", Class: ClassPermissive, Text: "a drive fault goes by itself when its cause is gone"},
	{Name: "inhibit_dead", Class: ClassPermissive, Text: "inhibit does not inhibit"},
	{Name: "fault_lamp_dead", Class: ClassPermissive, Text: "the fault lamp never lights"},
	{Name: "fault_lamp_stuck", Class: ClassPermissive, Text: "the fault lamp is always lit while the control section runs"},

	{Name: "hall_open", Class: ClassHall, Text: "a Hall input is open behind the connector: the drive sees it high", Target: "line"},
	{Name: "hall_short", Class: ClassHall, Text: "a Hall input is shorted to common", Target: "line"},
	{Name: "hall_swapped", Class: ClassHall, Text: "two Hall inputs are exchanged", Target: "lines"},
	{Name: "hall_supply_short", Class: ClassHall, Text: "the drive's supply of the Hall sensors is shorted; the lines are pulled low"},
	{Name: "invalid_hall_not_inhibited", Class: ClassHall, Text: "an invalid Hall code is not refused: the last valid pattern goes on"},

	{Name: "reference_offset", Class: ClassReference, Text: "the reference input has an offset", Unit: "V", Signed: true, Default: "4 times the tolerated offset, at least 0.4 V", size: func(p Params, _ string) float64 { return max(0.4, 4*float64(p.Reference.Offset)) }},
	{Name: "reference_gain", Class: ClassReference, Text: "the reference input's gain is wrong", Unit: part, Default: "0.5", size: always(0.5)},
	{Name: "reference_dead_zone", Class: ClassReference, Text: "the reference has a dead zone to both sides of zero", Unit: "V", Default: "half of the sweep's reference", size: func(p Params, _ string) float64 { return float64(p.Reference.Sweep) / 2 }},
	{Name: "reference_polarity_missing", Class: ClassReference, Text: "one polarity of the reference does nothing", Target: "polarity"},

	{Name: "quiescent_high", Class: ClassBus, Text: "the board draws too much from the bus", Unit: "A", Default: "the highest good quiescent current on top", size: func(p Params, _ string) float64 { return float64(p.Bus.Quiescent.High) }},
	{Name: "bus_short", Class: ClassBus, Text: "the bus is shorted", Unit: "Ω", Default: "0.5 Ω", size: always(0.5)},
	{Name: "capacitance_low", Class: ClassBus, Text: "the bus capacitors have lost capacitance", Unit: part, Default: "0.55 of nominal", size: always(0.55)},
	{Name: "series_resistance_high", Class: ClassBus, Text: "the bus capacitors' series resistance is high", Unit: "Ω", Default: "15 Ω", size: always(15)},
	{Name: "bleeder_open", Class: ClassBus, Text: "the bleeder is open"},
	{Name: "overvoltage_lockout_dead", Class: ClassBus, Text: "the over-voltage lock-out of the bus does not act"},
	{Name: "bus_fuse_open", Class: ClassBus, Text: "the bus fuse is open"},
	{Name: "chopper_shorted", Class: ClassBus, Text: "the brake chopper is shorted: its resistor hangs on the bus", Unit: "Ω", Default: "47 Ω", size: always(47)},
	{Name: "soft_charge_open", Class: ClassBus, Text: "the soft-charge resistor is open"},
	{Name: "relay_welded", Class: ClassBus, Text: "the soft-charge relay is welded: nothing limits the charging current"},
	{Name: "relay_not_pulling", Class: ClassBus, Text: "the soft-charge relay does not pull in"},

	{Name: "stand_in_left", Class: ClassFitted, Text: "a stand-in that was taken out on paper only", Target: "stand-in"},

	{Name: "device_shorted", Class: ClassCold, Text: "a power device is shorted from drain to source", Target: "channel"},
	{Name: "device_gate_source_shorted", Class: ClassCold, Text: "a power device is shorted from gate to source", Target: "channel"},
	{Name: "device_gate_drain_shorted", Class: ClassCold, Text: "a power device is shorted from gate to drain", Target: "channel"},
	{Name: "device_shorted_all", Class: ClassCold, Text: "a power device is shorted between all its terminals", Target: "channel"},
	{Name: "device_leaky", Class: ClassCold, Text: "a power device leaks from drain to source", Target: "channel", Unit: "Ω", Default: "a tenth of the bleeder", size: func(p Params, _ string) float64 { return float64(p.Bus.Bleeder) / 10 }},
	{Name: "gate_resistor_open", Class: ClassCold, Text: "a gate resistor is open", Target: "channel"},
	{Name: "gate_resistor_high", Class: ClassCold, Text: "a gate resistor has gone high", Target: "channel", Unit: part, Default: "3 times the good value", size: always(3)},
	{Name: "gate_resistor_wrong", Class: ClassCold, Text: "a gate resistor of a wrong value", Target: "channel", Unit: part, Default: "0.47 of the good value", size: always(0.47)},
	{Name: "gate_source_resistor_open", Class: ClassCold, Text: "the resistor from gate to source is open", Target: "channel"},
	{Name: "gate_clamp_shorted", Class: ClassCold, Text: "a gate clamp is shorted", Target: "channel", Unit: "Ω", Default: "1 Ω", size: always(1)},
	{Name: "gate_clamp_leaky", Class: ClassCold, Text: "a gate clamp leaks", Target: "channel", Unit: "Ω", Default: "1 kΩ", size: always(1e3)},
	{Name: "driver_output_shorted", Class: ClassCold, Text: "a driver output is shorted to its common", Target: "channel", Unit: "Ω", Default: "0.5 Ω", size: always(0.5)},
	{Name: "rectifier_shorted", Class: ClassCold, Text: "a rectifier diode is shorted", Target: "diode"},
	{Name: "rectifier_open", Class: ClassCold, Text: "a rectifier diode is open", Target: "diode"},
	{Name: "bus_capacitor_shorted", Class: ClassCold, Text: "a bus capacitor is shorted", Unit: "Ω", Default: "0.3 Ω", size: always(0.3)},
	{Name: "bus_capacitor_leaky", Class: ClassCold, Text: "a bus capacitor leaks", Unit: "Ω", Default: "a quarter of the bleeder", size: func(p Params, _ string) float64 { return float64(p.Bus.Bleeder) / 4 }},
	{Name: "midpoint_off", Class: ClassCold, Text: "the midpoint of the bus capacitors is off: the lower balancing resistor is wrong", Unit: part, Default: "0.3 of the good value", size: always(0.3)},
	{Name: "insulation_pierced", Class: ClassCold, Text: "the insulation between a device's tab and the chassis is pierced", Target: "channel", Unit: "Ω", Default: "20 kΩ", size: always(20e3)},
	{Name: "device_of_another_type", Class: ClassCold, Text: "a device of another type among its siblings: its diode drops more", Target: "channel", Unit: "V", Default: "0.15 V", size: always(0.15)},
	{Name: "device_open", Class: ClassFitted, Text: "a fitted device is open", Target: "channel"},
	{Name: "device_resistance", Class: ClassFitted, Text: "a fitted device, or its joint, has a high resistance", Target: "channel", Unit: "Ω", Default: "400 Ω", size: always(400)},
	{Name: "phase_leak", Class: ClassFitted, Text: "two phases leak to each other", Target: "legs", Unit: "Ω", Default: "300 Ω", size: always(300)},
	{Name: "phases_unequal", Class: ClassFitted, Text: "a phase puts out less than the others: its high side drops so much while it is on", Target: "leg", Unit: "V", Default: "a tenth of the reduced bus", size: func(p Params, _ string) float64 { return float64(p.Bus.Reduced) / 10 }},
	{Name: "dc_offset", Class: ClassFitted, Text: "a leg's modulator is off: its phase stands off the middle at zero reference; part of the bus", Target: "leg", Unit: part, Signed: true, Default: "0.1", size: always(0.1)},
	{Name: "current_sensor_offset", Class: ClassFitted, Text: "a current sensor has an offset", Target: "leg", Unit: "A", Signed: true, Default: "a tenth of the drive's current limit", size: func(p Params, _ string) float64 { return float64(p.Fitted.CurrentLimit) / 10 }},
	{Name: "current_sensor_gain", Class: ClassFitted, Text: "a current sensor's gain is wrong", Target: "leg", Unit: part, Default: "0.8", size: always(0.8)},
	{Name: "current_limit_wrong", Class: ClassFitted, Text: "the drive limits its current elsewhere", Unit: part, Default: "0.7 of the good value", size: always(0.7)},
	{Name: "motor_connected", Class: ClassFitted, Text: "a real motor is connected while its Hall signals are simulated"},
	{Name: "temperature_rising", Class: ClassFitted, Text: "the heat sink gets more heat than it should", Unit: part, Default: "2.5 times the good rise", size: always(2.5)},
	{Name: "fan_dead", Class: ClassFitted, Text: "the fan of the heat sink does not turn"},
}

func rippleOf(p Params, target string) float64 {
	r := p.Rails[target]
	if r.Ripple == 0 {
		return 0.1 * abs(float64(r.Nominal))
	}
	return 4 * float64(r.Ripple)
}

func jitterOf(p Params, _ string) float64 {
	if p.Modulation.Jitter == 0 {
		return 0.05 / float64(p.Modulation.Frequency)
	}
	return 6 * float64(p.Modulation.Jitter)
}

// resolveFaults checks every fault against the drive and gives it its size.
func (p *Plant) resolveFaults() error {
	resolved := slices.Clone(p.opts.Faults)
	for i := range resolved {
		f := &resolved[i]
		k, ok := KindOf(f.Name)
		if !ok {
			return fmt.Errorf("fault %q is not simulated%s", f.Name, nearMiss(f.Name))
		}
		if err := p.params.canHave(k, f); err != nil {
			return fmt.Errorf("fault %s: %w", f, err)
		}
		if !f.Sized && k.size != nil {
			f.Size = k.size(p.params, f.Target)
		}
	}
	p.opts.Faults = resolved
	return nil
}

// canHave says whether this kind of drive can have the fault at its target; a missing optional sense target is filled in.
func (p Params) canHave(k Kind, f *Fault) error {
	var have []string
	switch k.Target {
	case "channel", "pair":
		have = p.channelNames(func(Channel) bool { return true })
	case "high side":
		if p.Gate.HighSideSupply != "bootstrap" && p.Gate.HighSideSupply != "unknown" {
			return fmt.Errorf("the high sides of %s have a supply of kind %s, no bootstrap", p.Name, p.Gate.HighSideSupply)
		}
		have = p.channelNames(func(c Channel) bool { return c.Kind == "high" })
	case "leg":
		have = p.Bridge.Legs
	case "legs":
		have = p.Bridge.Legs
	case "rail":
		have = keys(p.Rails)
	case "permissive":
		have = keys(p.Permissives)
	case "sense":
		for _, s := range p.StandIns {
			if s.Sense != "" {
				have = append(have, s.Sense)
			}
		}
		if len(have) == 0 {
			return fmt.Errorf("%s has no sense line", p.Name)
		}
		if f.Target == "" {
			f.Target = have[0]
		}
	case "line", "lines":
		have = []string{"1", "2", "3"}
	case "diode":
		for _, line := range p.Cold.Lines {
			have = append(have, line+".plus", line+".minus")
		}
		if len(have) == 0 {
			return fmt.Errorf("%s has no rectifier", p.Name)
		}
	case "polarity":
		have = []string{"positive", "negative"}
	case "stand-in":
		for _, s := range p.StandIns {
			have = append(have, s.Name)
		}
	}
	targets := []string{f.Target}
	if k.Target == "legs" {
		f.Target = pairOf(p.Bridge.Legs, f.Target)
	}
	if k.Target == "pair" || k.Target == "lines" || k.Target == "legs" {
		if targets = strings.Split(f.Target, ","); len(targets) != 2 || targets[0] == targets[1] {
			return fmt.Errorf("%q is no pair, as in %s", f.Target, k.Example())
		}
	}
	for _, t := range targets {
		if t == "" && k.TargetOptional || k.Target == "" {
			continue
		}
		if !slices.Contains(have, t) {
			return fmt.Errorf("%s has no %s %q; there are %s", p.Name, k.Target, t, strings.Join(have, ", "))
		}
	}
	return p.canHaveKind(k.Name, f.Target)
}

func (p Params) canHaveKind(name, target string) error {
	switch name {
	case "no_negative_bias":
		for _, c := range p.Bridge.Channels {
			if c.Name == target && c.NegativeRail == "" {
				return fmt.Errorf("%s has no negative off level", target)
			}
		}
	case "current_sensor_offset", "current_sensor_gain":
		if p.Fitted.SensorGain == 0 {
			return fmt.Errorf("%s has no current sensors with an output", p.Name)
		}
		if !p.Fitted.sees(target) {
			return fmt.Errorf("leg %s of %s has no current sensor; there are some in %s", target, p.Name, strings.Join(p.Fitted.Sensors, ", "))
		}
	case "current_limit_wrong":
		if p.Fitted.CurrentLimit == 0 {
			return fmt.Errorf("%s has no current limit that is known", p.Name)
		}
	case "soft_charge_open", "relay_welded", "relay_not_pulling":
		if p.Bus.SoftCharge == 0 {
			return fmt.Errorf("%s has no soft charge", p.Name)
		}
	case "midpoint_off":
		if p.Cold.Balance == 0 {
			return fmt.Errorf("the bus capacitors of %s have no midpoint", p.Name)
		}
	case "dc_offset":
		if p.Patterns.Idle != "toggle" {
			return fmt.Errorf("no gate of %s fires at zero reference: it has no output there", p.Name)
		}
	case "fan_dead":
		if !p.Thermal.Fan {
			return fmt.Errorf("%s has no fan", p.Name)
		}
	case "temperature_rising":
		if p.Thermal.Rise == 0 {
			return fmt.Errorf("it is not known how warm %s gets", p.Name)
		}
	case "overvoltage_lockout_dead":
		if p.Bus.LockoutHigh == 0 {
			return fmt.Errorf("%s has no over-voltage lock-out", p.Name)
		}
	case "fault_not_latched":
		if p.Commutation == "none" && !slices.ContainsFunc(keys(p.Permissives), func(name string) bool { return p.Permissives[name].Latches }) {
			return fmt.Errorf("%s latches no fault", p.Name)
		}
	case "inhibit_dead", "inhibit_slow":
		if p.Inhibit == nil {
			return fmt.Errorf("%s has no inhibit", p.Name)
		}
	case "fault_lamp_dead", "fault_lamp_stuck":
		if p.FaultLamp == "" {
			return fmt.Errorf("%s has no fault lamp", p.Name)
		}
	case "hall_open", "hall_short", "hall_swapped", "hall_supply_short", "invalid_hall_not_inhibited":
		if p.Commutation == "none" {
			return fmt.Errorf("%s has no Hall inputs", p.Name)
		}
	}
	return nil
}

func (p Params) channelNames(keep func(Channel) bool) []string {
	var names []string
	for _, c := range p.Bridge.Channels {
		if keep(c) {
			names = append(names, c.Name)
		}
	}
	return names
}

func keys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
