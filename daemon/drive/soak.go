package drive

import "benchwarden/instruments/quantity"

// Soaking is how a drive is soaked at a steady point, idle on its nominal bus, and what may drift meanwhile. A limit that is 0
// is none.
type Soaking struct {
	Duration         quantity.Seconds `yaml:"duration"`
	Every            quantity.Seconds `yaml:"every"`         // between two readings
	Rise             quantity.Celsius `yaml:"rise"`          // of the heat sink above what it began with, in the end
	RiseWithin       quantity.Ratio   `yaml:"rise_within"`   // to both sides
	TimeConstant     quantity.Seconds `yaml:"time_constant"` // of its warming up
	Fan              bool             `yaml:"fan"`
	TemperatureDrift quantity.Celsius `yaml:"temperature_drift"` // over the last third
	CurrentDrift     quantity.Ratio   `yaml:"current_drift"`     // over the whole soak
	VoltageDrift     quantity.Ratio   `yaml:"voltage_drift"`     // over the whole soak
}

func (j *judge) soak(s Soaking) {
	j.notNegative("soak.duration", float64(s.Duration), s.Duration)
	j.notNegative("soak.every", float64(s.Every), s.Every)
	j.notNegative("soak.rise", float64(s.Rise), s.Rise)
	j.notNegative("soak.time_constant", float64(s.TimeConstant), s.TimeConstant)
	j.notNegative("soak.temperature_drift", float64(s.TemperatureDrift), s.TemperatureDrift)
	j.share("soak.rise_within", s.RiseWithin)
	j.share("soak.current_drift", s.CurrentDrift)
	j.share("soak.voltage_drift", s.VoltageDrift)
	if s.Duration > 0 && !(s.Every > 0 && s.Every <= s.Duration/30) {
		j.fault("soak.every", "%v is no interval for a soak of %v: a trend needs 30 readings or more", s.Every, s.Duration)
	}
}
