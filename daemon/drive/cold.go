package drive

import (
	"slices"

	"benchwarden/instruments/quantity"
)

// ColdFigures are what a meter reads of a good drive that is not energised. The figures are those in circuit: what lies in parallel is in them.
type ColdFigures struct {
	DeviceDrop     Band           `yaml:"device_drop" need:"true"`   // of a device's own or free-wheeling diode, at the meter's test current
	DeviceBlocks   quantity.Ohms  `yaml:"device_blocks" need:"true"` // drain to source at least
	GateSource     OhmBand        `yaml:"gate_source" need:"true"`
	GateDrain      quantity.Ohms  `yaml:"gate_drain" need:"true"` // at least
	ResistorWithin quantity.Ratio `yaml:"gate_resistor_within" need:"true"`
	DriverOutput   quantity.Ohms  `yaml:"driver_output" need:"true"` // to its own common, at least
	Rectifier      []string       `yaml:"rectifier"`                 // its mains inputs; none: the drive has no rectifier
	RectifierDrop  *Band          `yaml:"rectifier_drop"`
	Half           *OhmBand       `yaml:"half"`        // each half of the bus capacitors; absent: they have no midpoint
	Fuse           quantity.Ohms  `yaml:"fuse"`        // of the bus fuse at most; 0: there is none
	SoftCharge     *OhmBand       `yaml:"soft_charge"` // the resistor that its relay bridges later; absent: there is none
	Rail           quantity.Ohms  `yaml:"rail" need:"true"`
	Insulation     quantity.Ohms  `yaml:"insulation" need:"true"` // to chassis at least, at the meter's few volts
}

// OhmBand is a closed range of resistances.
type OhmBand struct {
	Low  quantity.Ohms `yaml:"low" need:"true"`
	High quantity.Ohms `yaml:"high" need:"true"`
}

// Mid is the middle of the range.
func (b OhmBand) Mid() quantity.Ohms { return (b.Low + b.High) / 2 }

// Terminals are the points where the leads go for one gate channel's device.
type Terminals struct {
	Drain  string `yaml:"drain"`
	Source string `yaml:"source"`
	Gate   string `yaml:"gate"`
	Output string `yaml:"output"` // the driver's, in front of the gate resistor
}

// Terminals are those of a channel's device; those of a channel that belongs to no leg lie across the bus.
func (f *Family) Terminals(c Channel) Terminals {
	t := Terminals{Drain: "bus+", Source: "bus-", Gate: "gate:" + c.Name, Output: "output:" + c.Name}
	switch {
	case c.Leg != "" && c.Kind == HighSide:
		t.Source = "phase:" + c.Leg
	case c.Leg != "":
		t.Drain = "phase:" + c.Leg
	}
	return t
}

// RailReturn is the point that a rail stands against: the source of its one channel, bus negative where channels share it, else the
// control common.
func (f *Family) RailReturn(rail string) string {
	var sources []string
	for _, c := range f.Bridge.Channels {
		if c.Rail == rail || c.NegativeRail == rail {
			sources = append(sources, f.Terminals(c).Source)
		}
	}
	sources = slices.Compact(sources)
	switch {
	case len(sources) == 1:
		return sources[0]
	case len(sources) > 1 || f.Control.Feed == FromBus:
		return "bus-"
	}
	return "common"
}

func (j *judge) cold(f *Family) {
	c := f.Cold
	if c == nil {
		if _, ok := f.Stages[Cold]; ok {
			j.fault("cold", "is missing: stage cold needs what a good drive reads when it is not energised")
		}
		return
	}
	j.band("cold.device_drop", c.DeviceDrop)
	j.ohms("cold.gate_source", c.GateSource)
	for key, ohms := range map[string]quantity.Ohms{"device_blocks": c.DeviceBlocks, "gate_drain": c.GateDrain,
		"driver_output": c.DriverOutput, "rail": c.Rail, "insulation": c.Insulation} {
		j.positive("cold."+key, float64(ohms), ohms)
	}
	j.share("cold.gate_resistor_within", c.ResistorWithin)
	j.positive("gate.gate_resistor", float64(f.Gate.Resistor), f.Gate.Resistor)
	j.notNegative("cold.fuse", float64(c.Fuse), c.Fuse)
	if c.Half != nil {
		j.ohms("cold.half", *c.Half)
	}
	if c.SoftCharge != nil {
		j.ohms("cold.soft_charge", *c.SoftCharge)
	}
	if (c.SoftCharge != nil) != (f.Bus.SoftCharge > 0) {
		j.fault("cold.soft_charge", "and bus.soft_charge belong together: what charges the bus, and what a meter reads of it")
	}
	switch {
	case len(c.Rectifier) > 0 && c.RectifierDrop == nil:
		j.fault("cold.rectifier_drop", "is missing beside rectifier")
	case c.RectifierDrop != nil:
		j.band("cold.rectifier_drop", *c.RectifierDrop)
	}
}

func (j *judge) ohms(key string, b OhmBand) {
	if !(b.Low > 0 && b.Low < b.High) {
		j.fault(key, "low %v has to be above zero and below high %v", b.Low, b.High)
	}
}
