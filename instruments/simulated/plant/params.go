package plant

import (
	"errors"
	"fmt"
	"slices"

	"benchwarden/instruments/quantity"
)

// Params are the nominal figures of a kind of drive. Names are those of the family files, so that filling them is copying.
type Params struct {
	Name        string // of the family
	Bridge      Bridge
	Device      Device
	Gate        Gate
	Modulation  Modulation
	Commutation string // hall_120, hall_60, none
	Patterns    Patterns
	Loop        string // open, current, velocity
	Permissives map[string]Permissive
	Inhibit     *Permissive // nil: the drive has no such input
	Reset       string      // how a latched fault is cleared: enable (also when empty), power
	FaultLamp   string      // contact that reads the drive's fault lamp
	StandIns    []StandIn
	Control     Control
	Rails       map[string]Rail
	Bus         Bus
	Reference   Reference
	Thermal     Thermal
	Cold        Cold
	Fitted      FittedStage
}

// Bridge is the power stage.
type Bridge struct {
	Legs     []string
	Channels []Channel
}

// Channel is one gate channel.
type Channel struct {
	Name         string // "A.high"
	Leg          string // empty for a brake chopper or a charge switch
	Kind         string // high, low, brake_chopper, charge_switch
	Rail         string // the driver rail that feeds it
	NegativeRail string // empty where off is 0 V
}

// Device is the power device.
type Device struct {
	Kind             string // igbt, mosfet
	MinimumThreshold quantity.Volts
}

// Gate is what a gate driver gives.
type Gate struct {
	HighSideSupply string // isolated, bootstrap, charge_pump, pulse_transformer; unknown is taken as bootstrap
	On, Off        Band
	Load           quantity.Farads // the device's gate, or the dummy capacitor that stands in for it
	Resistor       quantity.Ohms
	Rise, Fall     quantity.Seconds // longest tolerated, 10 to 90 %, into Load
}

// Band is a closed range of voltages.
type Band struct{ Low, High quantity.Volts }

// Modulation is how the drive chops.
type Modulation struct {
	Kind        string // complementary, high_side, locked_antiphase; unknown is taken as complementary
	Frequency   quantity.Hertz
	Within      quantity.Ratio
	DeadTime    DeadTime
	Jitter      quantity.Seconds // largest tolerated
	HighestDuty quantity.Ratio   // 0 means 100 %
}

// DeadTime is the pause between the two gates of a leg.
type DeadTime struct{ Shortest, Longest quantity.Seconds }

// Patterns are what the gates do when no motor is asked to turn: off, toggle or low_on; empty is off.
type Patterns struct{ Idle, Inhibited, Invalid, StartUp string }

// Permissive is a condition without which the drive fires no gate.
type Permissive struct {
	Contact string // the contact that gives it; empty: only a stand-in does
	Normal  string // closed, open: how it stands when the drive may run
	Latches bool
	Stops   string           // both (also when empty), forward, reverse
	Within  quantity.Seconds // the drive has acted on its withdrawal by then; 0: at once
}

// StandIn is what a person fits for the board stage only.
type StandIn struct {
	Name  string
	Sense string // permissive that stays away while it is missing
}

// Control is the drive's control section.
type Control struct {
	Feed        string // separate, from_bus
	Nominal     quantity.Volts
	Current     quantity.Amperes // separate: at most this at Nominal
	Start, Stop quantity.Volts
	Power       quantity.Watts // from_bus
	Settle      quantity.Seconds
}

// Rail is an internal supply of the drive.
type Rail struct {
	Nominal quantity.Volts
	Within  quantity.Ratio
	Ripple  quantity.Volts // largest tolerated, peak to peak
}

// Bus is the drive's DC bus.
type Bus struct {
	Nominal, Reduced quantity.Volts
	Capacitance      quantity.Farads
	CapWithin        quantity.Ratio
	Bleeder          quantity.Ohms
	BleedWithin      quantity.Ratio
	Quiescent        CurrentBand // at Reduced, without power devices
	SoftCharge       quantity.Ohms
	LockoutHigh      quantity.Volts // over-voltage lock-out of the drive; 0: none
	LockoutWithin    quantity.Ratio
}

// CurrentBand is a closed range of currents.
type CurrentBand struct{ Low, High quantity.Amperes }

// Reference is the drive's speed or torque input.
type Reference struct {
	FullScale quantity.Volts
	Sweep     quantity.Volts
	Offset    quantity.Volts // largest tolerated
}

// check refuses what the model cannot be built from.
func (p Params) check() error {
	var faults []error
	need := func(ok bool, format string, args ...any) {
		if !ok {
			faults = append(faults, fmt.Errorf("drive %q: "+format, append([]any{p.Name}, args...)...))
		}
	}
	one := func(what, have string, of ...string) {
		need(slices.Contains(of, have), "%s is %q, which is none of %v", what, have, of)
	}
	need(len(p.Bridge.Legs) > 0 && len(p.Bridge.Channels) > 0, "no legs or no gate channels")
	need(p.Modulation.Frequency > 0, "no chopping frequency")
	need(p.Bus.Capacitance > 0 && p.Bus.Bleeder > 0, "bus capacitance and bleeder have to be above zero")
	need(p.Reference.FullScale > 0, "no full scale of the reference")
	one("commutation", p.Commutation, "hall_120", "hall_60", "none")
	one("loop", p.Loop, "open", "current", "velocity", "unknown")
	one("modulation", p.Modulation.Kind, complementary, highSide, antiphase, "unknown")
	one("high side supply", p.Gate.HighSideSupply, "isolated", "bootstrap", "charge_pump", "pulse_transformer", "unknown")
	one("control feed", p.Control.Feed, "separate", "from_bus")
	for _, c := range p.Bridge.Channels {
		_, has := p.Rails[c.Rail]
		need(has, "channel %s hangs on rail %q, which is not there", c.Name, c.Rail)
		if c.NegativeRail != "" {
			_, has := p.Rails[c.NegativeRail]
			need(has, "channel %s hangs on rail %q, which is not there", c.Name, c.NegativeRail)
		}
		need(c.Leg == "" || slices.Contains(p.Bridge.Legs, c.Leg), "channel %s is of leg %q, which is not there", c.Name, c.Leg)
	}
	six := p.Modulation.Kind != antiphase
	need(!six || p.Commutation == "none" || len(p.Bridge.Legs) == 3, "six-step commutation needs three legs, there are %d", len(p.Bridge.Legs))
	need(six || len(p.Bridge.Legs) == 2, "locked anti-phase needs two legs, there are %d", len(p.Bridge.Legs))
	need(!six || p.Commutation != "none", "%s chopping needs a commutation", p.Modulation.Kind)
	return errors.Join(faults...)
}
