package plant

import (
	"benchwarden/instruments/quantity"
)

// SupplySpec is what a bench supply can do.
type SupplySpec struct {
	Lowest, Highest quantity.Volts
	Current         quantity.Amperes // largest
	Capacitance     quantity.Farads  // across its output, always connected
	Resistance      quantity.Ohms    // of output and leads
	// Rise is the time in which the output moves to a new setpoint, in a straight line.
	Rise quantity.Seconds
	// Sink is the current that its down-programmer can take; 0: it cannot pull the output down.
	Sink quantity.Amperes
	// OutputRelay disconnects the output when off: the supply then reads 0 V whatever the drive's capacitors hold.
	OutputRelay bool
	// Gain and Offset bound the setting and read-back errors (each supply gets its own within them), Noise is the read-back's
	// standard deviation as a part of Offset.
	Gain       quantity.Ratio
	Offset     quantity.Volts
	GainA      quantity.Ratio
	OffsetA    quantity.Amperes
	Noise      float64
	TripsAfter quantity.Seconds // over-current protection acts after this long above its level
}

// DefaultBusSupply suits a bus of this nominal voltage: half as much again, 3 A, no down-programmer.
func DefaultBusSupply(nominal quantity.Volts) SupplySpec {
	return SupplySpec{
		Highest: nominal * 3 / 2, Current: 3, Capacitance: 100e-6, Resistance: 0.1, Rise: 0.06,
		Gain: 0.0004, Offset: 0.010, GainA: 0.001, OffsetA: 0.0005, Noise: 0.2, TripsAfter: 0.01,
	}
}

// DefaultControlSupply is a 40 V, 3 A supply that follows downwards too.
func DefaultControlSupply() SupplySpec {
	return SupplySpec{
		Highest: 40, Current: 3, Capacitance: 220e-6, Resistance: 0.05, Rise: 0.03, Sink: 0.3,
		Gain: 0.0005, Offset: 0.010, GainA: 0.002, OffsetA: 0.001, Noise: 0.2, TripsAfter: 0.01,
	}
}

// Mode is how a supply regulates.
type Mode string

// The modes of a supply.
const (
	Off Mode = "off"
	CV  Mode = "cv"
	CC  Mode = "cc"
)

// Reading is what a supply says of itself.
type Reading struct {
	Voltage    quantity.Volts   // with read-back error and noise
	Current    quantity.Amperes // of its regulator: what charges its own output capacitor is in it
	Mode       Mode
	OVP, OCP   bool // tripped
	SetVoltage quantity.Volts
	SetCurrent quantity.Amperes
	On         bool
}

// Supply is a port of the plant: the front panel of one supply. It does what it is told within its range; refusing is the
// instrument's matter.
type Supply struct {
	p *Plant
	f *feed
}

// Spec is what the supply can do.
func (s *Supply) Spec() SupplySpec { return s.f.spec }

// SetOutput switches the output; a tripped protection keeps it off until cleared.
func (s *Supply) SetOutput(on bool) { s.p.do(func() { s.f.setOutput(s.p.now, on) }) }

// SetVoltage sets the output voltage, clamped to the supply's range. The output gets there within the spec's Rise, as far as
// current limit and load let it.
func (s *Supply) SetVoltage(v quantity.Volts) {
	s.p.do(func() { s.f.setVoltage(s.p.now, float64(v)) })
}

// SetCurrentLimit sets the current limit, clamped to the supply's range.
func (s *Supply) SetCurrentLimit(a quantity.Amperes) {
	s.p.do(func() { s.f.limit = min(max(0, float64(a)), float64(s.f.spec.Current)) })
}

// SetOVP sets the over-voltage protection's level; it is always active.
func (s *Supply) SetOVP(v quantity.Volts) { s.p.do(func() { s.f.ovp = float64(v) }) }

// SetOCP sets the over-current protection: a level of its own, acting after the spec's TripsAfter.
func (s *Supply) SetOCP(a quantity.Amperes, on bool) {
	s.p.do(func() { s.f.ocp, s.f.ocpOn = float64(a), on })
}

// ClearProtection resets what has tripped; the output stays off.
func (s *Supply) ClearProtection() {
	s.p.do(func() { s.f.ovpTripped, s.f.ocpTripped = false, false })
}

// Read reads the supply back.
func (s *Supply) Read() Reading {
	s.p.enter()
	defer s.p.mu.Unlock()
	return s.f.read()
}
