package drive

import "benchwarden/instruments/quantity"

// FittedFigures are what the scripts of the fitted stage go by; what the family leaves out is not judged.
type FittedFigures struct {
	Voltage   quantity.Volts `yaml:"voltage" need:"true"`   // of the bus at the first power-up
	Quiescent CurrentBand    `yaml:"quiescent" need:"true"` // at that voltage, no gate driven
	Limiter   string         `yaml:"limiter" need:"true"`   // what to put between capacitors and bridge, in the technician's words
	Star      quantity.Ohms  `yaml:"star" need:"true"`      // each of the resistors in star that give the phases a place
	// Phases is how far a phase may be off what it should be, in parts of the bus voltage.
	Phases         quantity.Ratio   `yaml:"phases_within" need:"true"`
	Unbalance      quantity.Ratio   `yaml:"unbalance_within"`
	Load           quantity.Ohms    `yaml:"load_resistance"` // each branch of the dummy load
	LoadText       string           `yaml:"load_text"`
	LoadDuty       quantity.Ratio   `yaml:"load_reference"` // part of full scale that drives a part of the current limit through the load
	Ripple         quantity.Volts   `yaml:"load_ripple_within"`
	CurrentLimit   quantity.Amperes `yaml:"current_limit"`
	LimitWithin    quantity.Ratio   `yaml:"current_limit_within"`
	LimitReference quantity.Ratio   `yaml:"limit_reference"` // part of full scale that asks for more than the limit
	// FullScale is the current that a current loop gives at the reference's full scale; GainWithin is how far it may be off.
	FullScale    quantity.Amperes `yaml:"current_at_full_scale"`
	GainWithin   quantity.Ratio   `yaml:"current_gain_within"`
	Sensors      []string         `yaml:"sensors"`      // the legs that have a current sensor; empty: each has
	SensorVolts  quantity.Volts   `yaml:"sensor_volts"` // that a current sensor's output gives for 1 A; 0: it has none
	SensorOffset quantity.Amperes `yaml:"sensor_offset_within"`
	SensorWithin quantity.Ratio   `yaml:"sensor_gain_within"`
}
