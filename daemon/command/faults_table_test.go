package command

import (
	"fmt"
	"slices"
	"strings"

	"benchwarden/daemon/station"
)

// faultCase is one fault in one drive or bench, the script that has to find it, and what has to come out.
type faultCase struct {
	family, script, fault string
	outcome               string // what may come out, separated by |
	names                 string // what the first finding, a failed check or the trip has to name
	hidden                string // why it cannot be shown: names is then in a check that says so, not shown or undecided
	exit                  int    // what it has to be where it is not the outcome's own
	thorough              bool   // only with -every-family: another script finds it as well, or it takes long
	instrument            bool   // the fault is the bench's, not the drive's
}

func (c faultCase) String() string {
	return strings.NewReplacer(" ", "_", ",", "+").Replace(fmt.Sprintf("%s/%s/%s", c.script, c.family, c.fault))
}

// name is the fault's kind.
func (c faultCase) name() string {
	name, _, _ := strings.Cut(c.fault, ":")
	name, _, _ = strings.Cut(name, "=")
	return name
}

// line is a fault of the table for all families in on (empty: all three). {rail} and {high} stand for what the family calls
// them.
type line struct {
	fault, names string
	on           string
	outcome      string // empty: fail
	hidden       string
	exit         int
	thorough     bool
}

// A rail of each family; a noisy one is its smoothing capacitor's.
var railOf = map[string]string{"heron": "high_B_plus", "plover": "driver", "wren": "pump"}

const halls = "heron plover"

const saturates = "the current loop saturates without a motor, so that half the reference gives the same duty"

var drives = map[string][]line{
	"cold_checks": {
		{fault: "device_shorted:B.high", names: "B.high is shorted from drain to source"},
		{fault: "device_shorted:A.low", names: "A.low is shorted from drain to source"},
		{fault: "device_gate_source_shorted:B.high", names: "gate to source of B.high is shorted"},
		{fault: "device_gate_drain_shorted:B.low", names: "B.low is shorted from gate to drain"},
		{fault: "device_shorted_all:B.high", names: "B.high is shorted between all its terminals"},
		{fault: "device_leaky:A.low", names: "A.low leaks from drain to source"},
		{fault: "gate_resistor_open:B.high", names: "the gate resistor of B.high is open"},
		{fault: "gate_resistor_high:A.low", names: "the gate resistor of A.low has"},
		{fault: "gate_resistor_wrong:B.high", names: "the gate resistor of B.high has", on: "heron"}, // too low for the meter to name a standard value
		{fault: "gate_resistor_wrong:B.high", names: "is right; the nearest standard value is", on: "plover wren"},
		{fault: "gate_source_resistor_open:A.low", names: "the gate-source resistor of A.low is open"},
		{fault: "gate_clamp_shorted:B.high", names: "gate to source of B.high is shorted"},
		{fault: "gate_clamp_leaky:A.low", names: "gate to source of A.low is leaky"},
		{fault: "driver_output_shorted:B.high", names: "the driver output of B.high is shorted"},
		{fault: "rectifier_shorted:L2.minus", names: "L2 to bus negative is shorted", on: "heron plover"},
		{fault: "rectifier_open:L1.plus", names: "L1 to bus positive is open", on: "heron plover"},
		{fault: "bus_capacitor_shorted", names: "capacitor"},
		{fault: "bus_capacitor_leaky", names: "capacitor"},
		{fault: "bus_short", names: "from bus positive to negative"},
		{fault: "chopper_shorted", names: "from bus positive to negative"},
		{fault: "midpoint_off", names: "balancing resistor of the lower half", on: "heron"},
		{fault: "insulation_pierced:A.low", names: "insulation to the chassis is pierced at phase:A"},
		{fault: "device_of_another_type:B.high", names: "a device of another type at B.high"},
		{fault: "bus_fuse_open", names: "bus fuse is open"},
		{fault: "soft_charge_open", names: "soft-charge resistor reads open", on: "heron"},
		{fault: "relay_welded", names: "past the soft-charge resistor", on: "heron"},
		{fault: "bleeder_open", names: "bleeder"},
	},
	"rails": {
		{fault: "rail_low:{rail}", names: "rail {rail} is low"},
		{fault: "rail_missing:{rail}", names: "rail {rail} is missing"},
		{fault: "rail_noisy:{rail}", names: "rail {rail} ripples"},
		{fault: "rail_ripple_cold:{rail}", names: "rail {rail} ripples"},
		{fault: "hall_supply_short", names: "rail hall is missing", on: halls},
		{fault: "bus_short", names: "bus", on: "plover", outcome: "fail|tripped"},
		{fault: "quiescent_high", names: "what feeds the control section", on: "plover"}, // the bus
	},
	"twitch": {
		{fault: "stuck_on:B.high", names: "B.high"},
		{fault: "twitch_power_up:B.high", names: "B.high twitches at power-up"},
		{fault: "twitch_brown_out:A.low", names: "A.low twitches at"},
		// Where its current passes the stage's limit at so low a voltage, the warden is first.
		{fault: "undervoltage_lockout_dead", names: "control", on: "heron wren", outcome: "fail|tripped"},
		{fault: "undervoltage_lockout_dead", names: "current", on: "plover", outcome: "fail|tripped"},
	},
	"gate_sweep": {
		{fault: "channel_dead:B.high", names: "B.high is dead"},
		{fault: "channel_dead:A.low", names: "A.low is dead", on: "heron"},
		{fault: "stuck_on:B.high", names: "B.high"},
		{fault: "stuck_off:B.high", names: "B.high"},
		{fault: "low_drive_level:B.high", names: "B.high"},
		{fault: "no_negative_bias:B.high", names: "B.high has no negative bias", on: "heron"},
		{fault: "weak_driver:A.low", names: "A.low"},
		{fault: "slow_rise:B.high", names: "B.high rises slowly"},
		{fault: "slow_fall:A.low", names: "A.low"}, // with high sides chopped, from the gap at the reversal
		{fault: "late_pulses:B.high", names: "B.high"},
		{fault: "narrow_pulses:B.high", names: "B.high"},
		{fault: "ringing:B.high", names: "B.high"},
		{fault: "channels_swapped:A.high,B.high", names: "A.high and B.high are exchanged"},
		{fault: "channels_swapped:A.high,A.low", names: "A.high and A.low are exchanged", on: "plover wren"},
		{fault: "dead_time_missing:B", names: "dead time of leg B"},
		{fault: "dead_time_short:B", names: "dead time of leg B is too short"},
		{fault: "dead_time_long:B", names: "dead time of leg B is too long"},
		{fault: "overlap_one_edge:B", names: "Leg B overlaps on one edge only"},
		{fault: "pulses_missing:B.high", names: "B.high"},
		{fault: "jitter", names: "jitter"},
		{fault: "bootstrap_diode_open:B.high", names: "bootstrap diode or capacitor of B.high", on: "plover", outcome: "fail"},
		{fault: "bootstrap_capacitor:B.high", names: "B.high", on: "plover"},

		{fault: "sense_always_reports", names: "thermal", on: "heron"},
		{fault: "sense_never_reports", names: "thermal", on: "heron", outcome: "pass",
			hidden: "the stand-in lies on the sense line through the whole run, so nothing is missing that it could report"},
		{fault: "permissive_stuck_given:limit_reverse", names: "limit_reverse"},
		{fault: "permissive_stuck_away:limit_forward", names: "permissives"}, // the gates do not tell which
		{fault: "inhibit_dead", names: "nhibit"},
		{fault: "fault_lamp_dead", names: "fault lamp", on: halls},
		{fault: "fault_lamp_dead", names: "fault lamp lights", on: "wren", outcome: "pass",
			hidden: "without Hall inputs there is nothing that the sweep could do to make the drive report a fault"},
		{fault: "fault_lamp_stuck", names: "fault lamp"},

		{fault: "hall_open:2", names: "Hall 2", on: halls},
		{fault: "hall_short:3", names: "Hall 3", on: halls},
		{fault: "hall_swapped:1,2", names: "Hall 1 and Hall 2", on: "heron"},
		{fault: "hall_swapped:1,2", names: "invalid Hall code", on: "plover"}, // latched at its first code: nothing fires
		{fault: "hall_supply_short", names: "Hall", on: halls},
		{fault: "invalid_hall_not_inhibited", names: "Hall", on: halls},

		{fault: "reference_offset", names: "reference"},
		{fault: "reference_gain", names: "reference", on: "heron wren"},
		{fault: "reference_dead_zone", names: "reference", on: "heron wren"},
		{fault: "reference_gain", names: "reference gain", on: "plover", outcome: "pass", hidden: saturates},
		{fault: "reference_dead_zone", names: "reference gain", on: "plover", outcome: "pass", hidden: saturates},
		{fault: "reference_polarity_missing:negative", names: "reference"},
	},
	"reference_sweep": referenceLines,
	"fault_response":  responseLines,
	"drive_limits":    limitLines,
	"tap_test":        tapLines,
	"bus_ramp": {
		{fault: "quiescent_high", names: "draws"},
		{fault: "bus_short", names: "a short"},
		{fault: "capacitance_low", names: "capacit"},
		{fault: "series_resistance_high", names: "series resistance", outcome: "pass",
			hidden: "the supply charges with too little current: the step across the resistance drowns in its uncertainty"},
		{fault: "bleeder_open", names: "bleeder", outcome: "fail|tripped"},
		{fault: "bus_fuse_open", names: "fuse"},
		{fault: "soft_charge_open", names: "soft-charge resistor", on: "heron"},
		{fault: "relay_welded", names: "charge relay, welded", on: "heron"},
		{fault: "chopper_shorted", names: "chopper"},
	},
}

// fitted are the faults that show once the power devices are in.
var fitted = map[string][]line{
	"first_power": {
		{fault: "relay_not_pulling", names: "does not bridge the soft-charge resistor", on: "heron"},
		{fault: "device_shorted:B.high", names: "B.high is shorted"},
		{fault: "device_shorted:A.low@bus=20 V", names: "A.low is shorted"}, // only above some voltage
		{fault: "chopper_shorted", names: "chopper", on: "heron wren"},
		{fault: "chopper_shorted", names: "current", on: "plover", outcome: "fail|tripped"}, // with the control section's own, past the limit
		{fault: "motor_connected", names: "a motor is connected"},
		{fault: "stand_in_left:switch_node_jumpers", names: "jumper left from the phase to the bus", on: "plover wren"},
		{fault: "stand_in_left:gate_capacitors", names: "gate capacitor", outcome: "pass", hidden: "a second gate load only makes the edges slower"},
	},
	"linearity": {
		{fault: "dc_offset:B", names: "phase B stands off the middle of the bus", on: "wren"},
		{fault: "reference_offset", names: "the output has an offset", on: "heron wren"},
		{fault: "reference_gain", names: "the gain of the output is wrong", on: "heron wren"},
		{fault: "reference_dead_zone", names: "the output has a dead zone", on: "heron wren", thorough: true},
		{fault: "reference_polarity_missing:negative", names: "negative references do nothing", on: "heron wren", thorough: true},
	},
	"current_sensors": {
		{fault: "current_sensor_offset:B", names: "sensor of phase B has an offset", on: "heron"},
		{fault: "current_sensor_offset:A", names: "sensor of phase A has an offset", on: "plover wren"},
		{fault: "current_sensor_gain:C", names: "sensor of phase C tells", on: halls},
		{fault: "current_sensor_gain:A", names: "sensor of phase A tells", on: "wren"},
	},
	"ripple": {
		{fault: "series_resistance_high", names: "series resistance is high"},
	},
	"current_limit": {
		{fault: "current_limit_wrong", names: "limits its current"},
		{fault: "reference_gain", names: "of the reference's full scale", on: "plover", thorough: true}, // no other script of a current loop shows it
	},
	"phases": {
		{fault: "device_open:B.high", names: "B.high does not conduct"},
		{fault: "device_open:A.low", names: "A.low does not conduct"},
		{fault: "device_resistance:A.low", names: "A.low does not conduct"},
		{fault: "device_resistance:B.high@bus=25 V", names: "B.high does not conduct"}, // only above some voltage
		{fault: "phases_unequal:B", names: "B.high does not conduct as it should"},
		{fault: "narrow_pulses:B.high", names: "phase B puts out less than the others", on: halls},
		{fault: "phase_leak:A,B", names: "phase A and phase B leak", on: halls},
		{fault: "phase_leak:A,B", names: "leak between phases", on: "wren", outcome: "pass", hidden: "both legs are driven all the time: a leak is one more load"},
		{fault: "hall_swapped:1,2", names: "do not follow the Hall states", on: "heron"},
	},
}

// benches are the faults of instruments and links, in a run that lasts, on a good drive.
var benches = map[string][]line{
	"bus_ramp": {
		{fault: "answer_late:bus_meter=2 s@3 s", names: "bus_meter", outcome: "tripped|broken"},
		{fault: "silence:bus_meter@3 s", names: "bus_meter", outcome: "tripped|broken", exit: station.ExitNotSafe},
		{fault: "silence:bus@3 s", names: "bus", outcome: "tripped|broken"},
		{fault: "disconnect:bus@3 s", names: "bus", outcome: "tripped|broken"},
		{fault: "supply_ignores_off:bus", names: "bus", outcome: "pass|fail|tripped|broken", exit: station.ExitNotSafe},
		{fault: "reading_frozen:bus_meter@3 s", names: "bus_meter", outcome: "tripped|fail|broken"},
		{fault: "lead_off:bus_meter@3 s", names: "bus", outcome: "tripped|fail|broken"},
		{fault: "lead_off:bus@3 s", names: "bus", outcome: "tripped|fail|broken"},
		{fault: "protection_not_accepted:bus", names: "protection", outcome: "broken"},
		{fault: "watchdog_not_accepted:bus", names: "watchdog", outcome: "broken"},
		{fault: "noise_spikes:bus_meter@3 s", names: "bus_meter", outcome: "tripped|broken"},
		// One answer that is not what it should be: the link gets into step again, and no figure is another one's.
		{fault: "answer_wrong:bus_meter@3 s", names: "bus_meter", outcome: "pass|tripped|broken"},
		{fault: "answer_cut_short:bus_meter@3 s", names: "bus_meter", outcome: "pass|tripped|broken"},
		{fault: "answer_twice:bus_meter@3 s", names: "bus_meter", outcome: "pass|tripped|broken"},
		{fault: "garbage:bus_meter@3 s", names: "bus_meter", outcome: "pass|tripped|broken"},
		{fault: "error_queue_full:bus@3 s", names: "bus", outcome: "pass|tripped|broken"},
		{fault: "supply_says_zero:bus", names: "bus", outcome: "pass"}, // the bus is down when the meter at the drive says so
	},
	"rails": {
		{fault: "gone_and_back:control=1 s@20", names: "control", outcome: "tripped|broken"},
		{fault: "silence:meter@3", names: "meter", outcome: "tripped|broken"},
	},
}

// faultCases is the whole table.
func faultCases() []faultCase {
	var list []faultCase
	for _, script := range fittedScripts {
		for _, l := range fitted[script] {
			list = append(list, l.cases(script, allFamilies, false)...)
		}
	}
	for _, script := range []string{"gate_sweep", "tap_test", "twitch", "bus_ramp", "rails", "fault_response", "reference_sweep", "drive_limits", "cold_checks"} { // the long ones first
		for _, l := range drives[script] {
			list = append(list, l.cases(script, allFamilies, false)...)
		}
		for _, l := range benches[script] {
			list = append(list, l.cases(script, []string{"wren"}, true)...)
		}
	}
	return list
}

func (l line) cases(script string, families []string, instrument bool) (list []faultCase) {
	if l.outcome == "" {
		l.outcome = "fail"
	}
	for _, family := range families {
		if l.on != "" && !slices.Contains(strings.Fields(l.on), family) {
			continue
		}
		in := strings.NewReplacer("{rail}", railOf[family]).Replace
		list = append(list, faultCase{
			family: family, script: script, fault: in(l.fault), outcome: l.outcome, names: in(l.names), hidden: l.hidden, exit: l.exit,
			thorough: l.thorough, instrument: instrument,
		})
	}
	return list
}
