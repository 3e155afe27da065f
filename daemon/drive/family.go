// Package drive holds what is known of drives: family files with their trip limits, the commutation of the absent motor,
// and the pattern each gate channel has to show.
package drive

import (
	"benchwarden/instruments/quantity"
)

// Family is what is known of a kind of drive, each figure with its unit.
type Family struct {
	Name  string `yaml:"family" need:"true"`
	Title string `yaml:"title" need:"true"`
	// Learnt marks a family whose figures came from good units, not from data.
	Learnt Learnt `yaml:"learnt"`

	Bridge      Bridge                `yaml:"bridge" need:"true"`
	Device      Device                `yaml:"device" need:"true"`
	Gate        Gate                  `yaml:"gate" need:"true"`
	Modulation  Modulation            `yaml:"modulation" need:"true"`
	Commutation Commutation           `yaml:"commutation" need:"true"`
	Patterns    Patterns              `yaml:"patterns" need:"true"`
	Loop        string                `yaml:"loop" need:"true"` // open, current, velocity
	Permissives map[string]Permissive `yaml:"permissives"`
	Inhibit     *Permissive           `yaml:"inhibit"`    // the input that blocks all gates; absent: the drive has none
	Reset       string                `yaml:"reset"`      // how a latched fault is cleared: enable (default; withdrawn and given again), power
	FaultLamp   string                `yaml:"fault_lamp"` // contact that reads the drive's own fault lamp
	StandIns    []StandIn             `yaml:"stand_ins"`
	Control     Control               `yaml:"control_supply" need:"true"`
	Rails       map[string]Rail       `yaml:"rails" need:"true"`
	Bus         Bus                   `yaml:"bus" need:"true"`
	SweepBus    string                `yaml:"sweep_bus" need:"true"` // none, minimum
	Reference   Reference             `yaml:"reference" need:"true"`
	Fitted      *FittedFigures        `yaml:"fitted"`
	Soak        Soaking               `yaml:"soak"`
	Stages      map[Stage]StageLimits `yaml:"stages" need:"true"`
	Cold        *ColdFigures          `yaml:"cold"`
	Decision    Decision              `yaml:"decision"`

	path string
	hash string
	text string
}

// Hash is the SHA-256 of the family file's bytes, in hexadecimal: two runs with the same hash were judged by the same figures.
func (f *Family) Hash() string { return f.hash }

// Text is the family file as it was read, for the record of a run.
func (f *Family) Text() string { return f.text }

// Path is the file the family was read from.
func (f *Family) Path() string { return f.path }

// Bridge is the power stage: which legs it has and which gate channels drive them.
type Bridge struct {
	Legs     []string  `yaml:"legs" need:"true"`
	Channels []Channel `yaml:"channels" need:"true"`
	Parallel int       `yaml:"devices_per_position"` // 0 means 1
}

// Channel is one gate channel.
type Channel struct {
	Name string `yaml:"name" need:"true"` // "A.high"
	Leg  string `yaml:"leg"`              // empty for a brake chopper or a charge switch
	Kind string `yaml:"kind" need:"true"` // high, low, brake_chopper, charge_switch
	Rail string `yaml:"rail" need:"true"` // the driver rail that feeds it
	// NegativeRail holds the gate below its source when off; empty where off is 0 V.
	NegativeRail string `yaml:"negative_rail"`
}

// Device is the power device that is not fitted.
type Device struct {
	Kind             string         `yaml:"kind" need:"true"`              // igbt, mosfet
	MinimumThreshold quantity.Volts `yaml:"minimum_threshold" need:"true"` // gate-source, below it no device conducts
}

// Gate is what a gate channel has to show between gate and its own source.
type Gate struct {
	HighSideSupply string           `yaml:"high_side_supply" need:"true"` // isolated, bootstrap, charge_pump, pulse_transformer
	On             Band             `yaml:"on" need:"true"`
	Off            Band             `yaml:"off" need:"true"`
	Load           quantity.Farads  `yaml:"gate_load"` // the dummy capacitor; 0: edges are not shown
	Resistor       quantity.Ohms    `yaml:"gate_resistor"`
	Rise           quantity.Seconds `yaml:"rise_within"` // 10 to 90 %, into gate_load
	Fall           quantity.Seconds `yaml:"fall_within"`
	Overshoot      quantity.Ratio   `yaml:"overshoot_within"`
	Width          Tolerance        `yaml:"pulse_width"`   // relative deviation of the pulse from its sibling's
	Twitch         quantity.Seconds `yaml:"twitch_within"` // shorter excursions above the threshold are tolerated; 0: none is
}

// Band is a closed range of voltages.
type Band struct {
	Low  quantity.Volts `yaml:"low" need:"true"`
	High quantity.Volts `yaml:"high" need:"true"`
}

// Tolerance is a relative deviation that is allowed to both sides.
type Tolerance struct {
	Within quantity.Ratio `yaml:"within"`
}

// Modulation is how the drive chops.
type Modulation struct {
	// Kind is complementary (the chopping leg's two gates alternate), high_side (only the high side is chopped, the low side
	// of the other leg stands on), locked_antiphase (both legs alternate against each other) or unknown.
	Kind      string           `yaml:"kind" need:"true"`
	Frequency quantity.Hertz   `yaml:"frequency" need:"true"`
	Within    quantity.Ratio   `yaml:"frequency_within" need:"true"`
	DeadTime  DeadTime         `yaml:"dead_time" need:"true"`
	Jitter    quantity.Seconds `yaml:"jitter_within"` // 0: not looked at
	Missing   Missing          `yaml:"missing"`
	// HighestDuty is what a saturated loop gives; 0 means 100 %, and then a channel that should chop may stand on.
	HighestDuty quantity.Ratio `yaml:"highest_duty"`
}

// Missing is how rare a missing pulse may be and still has to be found, and how surely. The zero value asks for what the
// usual captures show.
type Missing struct {
	OneIn      int            `yaml:"one_in" need:"true"`
	Confidence quantity.Ratio `yaml:"confidence" need:"true"`
}

// Asked tells whether the family states how long to look.
func (m Missing) Asked() bool { return m.OneIn > 0 }

// DeadTime is the pause between the two gates of a leg, at the device's minimum threshold.
type DeadTime struct {
	Shortest quantity.Seconds `yaml:"shortest" need:"true"`
	Longest  quantity.Seconds `yaml:"longest" need:"true"`
	Seen     string           `yaml:"seen" need:"true"` // chopping, reversal: where the two gates of a leg alternate
}

// Commutation is how the drive learns the rotor's place.
type Commutation struct {
	Kind string `yaml:"kind" need:"true"` // hall_120, hall_60, none
}

// Patterns are what the gates show when the drive is not asked to turn a motor: per channel kind or for all.
type Patterns struct {
	Idle      string `yaml:"idle" need:"true"`      // zero reference, enabled: off, toggle (all legs alternate at 50 %), low_on
	Inhibited string `yaml:"inhibited" need:"true"` // a permissive withdrawn, inhibit applied: off, low_on
	Invalid   string `yaml:"invalid"`               // invalid Hall code: off (default), low_on
	StartUp   string `yaml:"start_up"`              // while the control supply comes up: off (default), low_on (bootstraps are charged)
}

// Permissive is a condition without which the drive fires no gate.
type Permissive struct {
	Contact string `yaml:"contact"` // the contact of the bench that gives it; empty: only a stand-in does
	Normal  string `yaml:"normal"`  // closed, open: how it stands when the drive may run
	Latches bool   `yaml:"latches"` // once withdrawn, the drive has to be reset
	Stops   string `yaml:"stops"`   // both (default), forward, reverse: the direction that it blocks, as an end switch does
	// Within is how soon the gates have to be quiet after it was withdrawn; 0: the family states no time.
	Within quantity.Seconds `yaml:"within"`
}

// StandIn is what is fitted for the board stage only.
type StandIn struct {
	Name  string `yaml:"name" need:"true"`
	Count int    `yaml:"count" need:"true"`
	Text  string `yaml:"text" need:"true"` // what to fit where, in the technician's words
	Sense string `yaml:"sense"`            // permissive that stays away while it is missing
}

// Control is where the drive's control section gets its power.
type Control struct {
	Feed    string           `yaml:"feed" need:"true"` // separate, from_bus
	Nominal quantity.Volts   `yaml:"nominal"`          // separate: its supply voltage
	Current quantity.Amperes `yaml:"current"`          // separate: at most this
	Start   quantity.Volts   `yaml:"start"`            // the voltage at which it starts
	Stop    quantity.Volts   `yaml:"stop"`             // and at which it stops
	// ThresholdsWithin is how far a good drive's start and stop may lie from those stated; 0: the family states no limit.
	ThresholdsWithin quantity.Ratio   `yaml:"thresholds_within"`
	Power            quantity.Watts   `yaml:"power"`              // from_bus: constant power it draws
	Settle           quantity.Seconds `yaml:"settle" need:"true"` // from power to ready
	// Hold is how long a control supply in current limit may stay on while power devices are fitted and the bus is charged.
	Hold quantity.Seconds `yaml:"hold"`
}

// Rail is an internal supply of the drive, measured at its test point.
type Rail struct {
	Point   string         `yaml:"point" need:"true"` // test point, in words
	Nominal quantity.Volts `yaml:"nominal" need:"true"`
	Within  quantity.Ratio `yaml:"within" need:"true"`
	Ripple  quantity.Volts `yaml:"ripple_within"` // peak to peak; 0: not looked at
	Feeds   []string       `yaml:"feeds"`         // gate channels or parts that hang on it
}

// Bus is the drive's DC bus.
type Bus struct {
	Nominal     quantity.Volts  `yaml:"nominal" need:"true"`
	Reduced     quantity.Volts  `yaml:"reduced" need:"true"` // board stage
	Minimum     quantity.Volts  `yaml:"minimum"`             // from_bus: the control section runs safely from here on
	Capacitance quantity.Farads `yaml:"capacitance" need:"true"`
	CapWithin   quantity.Ratio  `yaml:"capacitance_within" need:"true"`
	Bleeder     quantity.Ohms   `yaml:"bleeder" need:"true"`
	BleedWithin quantity.Ratio  `yaml:"bleeder_within" need:"true"`
	Quiescent   CurrentBand     `yaml:"quiescent" need:"true"` // at the reduced voltage, board stage
	SoftCharge  quantity.Ohms   `yaml:"soft_charge"`           // 0: none
	Ripple      quantity.Volts  `yaml:"ripple_within"`
	// LockoutHigh is where the drive's own over-voltage lock-out acts, within LockoutWithin; 0: it has none.
	LockoutHigh   quantity.Volts   `yaml:"lockout_high"`
	LockoutWithin quantity.Ratio   `yaml:"lockout_within"`
	Regulation    quantity.Volts   `yaml:"steady_within"` // between two readings of a steady bus
	Step          quantity.Volts   `yaml:"step" need:"true"`
	Settle        quantity.Seconds `yaml:"settle" need:"true"`
}

// CurrentBand is a closed range of currents.
type CurrentBand struct {
	Low  quantity.Amperes `yaml:"low" need:"true"`
	High quantity.Amperes `yaml:"high" need:"true"`
}

// Reference is the drive's speed or torque input.
type Reference struct {
	FullScale  quantity.Volts `yaml:"full_scale" need:"true"`
	Sweep      quantity.Volts `yaml:"sweep" need:"true"` // what the gate sweep asks for, both signs
	Offset     quantity.Volts `yaml:"offset_within"`
	Duty       quantity.Ratio `yaml:"duty_at_sweep"` // open loop: what it gives; 0: the loop saturates, duty proves nothing
	DutyWithin quantity.Ratio `yaml:"duty_within"`   // in parts of the period, to both sides

	// What the response of an open loop may be off by; 0: the family states no limit.
	GainWithin       quantity.Ratio `yaml:"gain_within"`       // of the gain that duty_at_sweep gives, each polarity by itself
	DeadZoneWithin   quantity.Volts `yaml:"dead_zone_within"`  // from where one polarity begins to where the other does
	LinearityWithin  quantity.Ratio `yaml:"linearity_within"`  // worst deviation from the fitted line, in parts of full output
	HysteresisWithin quantity.Volts `yaml:"hysteresis_within"` // between going up and going down
}

// Stage is where in the job a script belongs.
type Stage string

// The stages, in the order of the job.
const (
	Cold   Stage = "cold"
	Rails  Stage = "rails"
	Board  Stage = "board"
	Fitted Stage = "fitted"
	Soak   Stage = "soak"
)

// StageLimits are the trip limits and procedure figures of one stage, and the checks it needs.
type StageLimits struct {
	BusVoltage     quantity.Volts   `yaml:"bus_voltage" need:"true"`   // trips above
	BusCurrent     quantity.Amperes `yaml:"bus_current" need:"true"`   // quiescent trip, after settling
	CurrentLimit   quantity.Amperes `yaml:"current_limit" need:"true"` // what the supply is set to
	ControlVoltage quantity.Volts   `yaml:"control_voltage"`
	ControlCurrent quantity.Amperes `yaml:"control_current"`
	ControlLimit   quantity.Amperes `yaml:"control_current_limit"`
	RampTime       quantity.Seconds `yaml:"ramp_time"`
	RampEnergy     quantity.Joules  `yaml:"ramp_energy"` // that the bus supply may give on the way up
	RunTime        quantity.Seconds `yaml:"run_time"`
	// UncontrolledEnergy is the most that the current limit may let through into the bus while nothing controls it, from the
	// daemon's hanging to the keeper's work done; 0: the family does not say.
	UncontrolledEnergy quantity.Joules  `yaml:"uncontrolled_energy"`
	Temperature        quantity.Celsius `yaml:"temperature"` // trips above, where the bench reads one
	Persistence        Persistences     `yaml:"persistence"` // by cause; what it leaves out has the default
	Needs              []string         `yaml:"needs"`       // names of the checks without which the stage is not passed
}
