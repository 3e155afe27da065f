package plant

import (
	"fmt"
	"strings"

	"benchwarden/instruments/quantity"
)

// FittedStage are the figures of a drive with its power devices in.
type FittedStage struct {
	Star         quantity.Ohms    // each of the resistors in star that give the phases a place; 0: 1 kΩ
	Load         quantity.Ohms    // each branch of the dummy load, a star of coils with their resistance; 0: there is none
	CurrentLimit quantity.Amperes // of the drive; 0: it has none
	LimitWithin  quantity.Ratio
	FullScale    quantity.Amperes // of a current loop at the reference's full scale; 0: it gives what its limit lets it
	GainWithin   quantity.Ratio
	Sensors      []string // the legs that have a current sensor; empty: each has
	SensorGain   float64  // V per A of the current sensors' outputs; 0: it has none
	SensorOffset quantity.Amperes
	SensorWithin quantity.Ratio
}

// surroundings are what a person has put around the fitted bridge.
type surroundings struct {
	limiter  string // between capacitors and bridge: lamp, fuse
	flashed  bool   // the lamp has glowed since somebody looked
	load     string // at the phases: empty, star, dummy
	decouple bool   // a resistor stands in the supply's lead
}

// Figures of the model that no family states (practice).
const (
	deviceOn      = 0.05   // Ω
	deviceLeak    = 2e-8   // S, of one that is off
	probeLeak     = 1e-7   // S, of a meter or probe
	lampCold      = 30.0   // Ω
	lampHot       = 150.0  // Ω
	lampGlows     = 2.5    // W
	decoupling    = 4.7    // Ω
	diodeDrop     = 0.7    // V
	defaultStar   = 1000.0 // Ω
	leadOfABridge = 0.02   // Ω
)

// Answer is what a person at the bench says after doing or looking: "limiter" and "fuse" put that between capacitors and bridge,
// "load:star", "load:dummy" and "load:none" change what hangs on the phases, "supply_resistor" and "supply_direct" change the
// supply's lead; "lamp" tells how the limiter lamp looks and "motor" whether a motor is connected.
func (p *Plant) Answer(what string) (answer string, err error) {
	p.do(func() {
		switch what {
		case "limiter":
			p.around.limiter, answer = "lamp", "lamp"
		case "fuse":
			p.around.limiter, answer = "fuse", "fuse"
		case "load:star", "load:dummy", "load:none":
			p.around.load, answer = strings.TrimPrefix(what, "load:"), "done"
		case "supply_resistor", "supply_direct":
			p.around.decouple, answer = what == "supply_resistor", "done"
		case "motor":
			answer = "no motor"
			if p.faulty("motor_connected", "") {
				answer = "a motor is connected"
			}
		case "lamp":
			answer = "dark"
			switch {
			case p.lampGlows():
				answer = "stays bright"
			case p.around.flashed:
				answer = "flash then dark"
			}
			p.around.flashed = false
		default:
			err = fmt.Errorf("the simulated person does not know %q", what)
		}
	})
	return answer, err
}

// switchOf is the conductance of a position's device (S), on or off.
func (p *Plant) switchOf(v *view, channel string, on bool) float64 {
	switch {
	case v.has("device_shorted", channel):
		return 1 / deviceOn
	case !on, v.has("device_open", channel):
		return deviceLeak
	}
	return 1 / (deviceOn + v.sizeAt("device_resistance", channel))
}

// sizeAt is that of a fault that is there at this target, else 0.
func (v *view) sizeAt(name, target string) float64 {
	for _, f := range v.active {
		if f.Name == name && f.Target == target {
			return f.Size
		}
	}
	return 0
}

// through is the part of the time in which both positions of a leg conduct, from what the logic wants now.
func (p *Plant) through(v *view, leg string) float64 {
	part := map[string]float64{}
	shorted := map[string]bool{}
	last := p.log.last()
	for i, c := range p.params.Bridge.Channels {
		if c.Leg != leg || c.Kind != "high" && c.Kind != "low" {
			continue
		}
		shorted[c.Kind] = v.has("device_shorted", c.Name)
		part[c.Kind] = p.onPart(last, i)
		if v.has("device_open", c.Name) {
			part[c.Kind] = 0
		}
	}
	switch {
	case shorted["high"] && shorted["low"]:
		return 1
	case shorted["high"]:
		return part["low"]
	case shorted["low"]:
		return part["high"]
	}
	return 0
}

// onPart is the part of the period in which channel i's gate is on.
func (p *Plant) onPart(s *segment, i int) float64 {
	if s == nil {
		return 0
	}
	dead := p.turnOnDelay(s.view, i) / p.unit.period
	switch s.patterns[i] {
	case high:
		return 1
	case chop:
		return max(0, p.legDuty(s, i, false, p.drive.duty)-dead)
	case inverse:
		return max(0, 1-p.legDuty(s, i, true, p.drive.duty)-dead)
	}
	return 0
}

// bridgeLoad is what the fitted bridge takes from the bus: shoot-through past the limiter, and the load's power.
func (p *Plant) bridgeLoad(v *view, vb float64) float64 {
	if !p.opts.Fitted || vb <= 0 {
		return 0
	}
	g := 0.0
	for _, leg := range p.params.Bridge.Legs {
		g += p.through(v, leg) / (p.limiterOhms(v, vb) + 2*deviceOn)
	}
	p.around.flashed = p.around.flashed || g > 0 && p.lampGlows()
	in, out := p.turningLegs()
	if i := p.loadCurrent(v, in, out); i != 0 {
		r := p.branch() + deviceOn
		g += 2 * r * i * i / (vb * vb)
	}
	return g
}

// limiterOhms is what stands between capacitors and bridge: a lamp that glows has many times its cold resistance.
func (p *Plant) limiterOhms(v *view, vb float64) float64 {
	if p.around.limiter != "lamp" {
		return leadOfABridge
	}
	part := 0.0
	for _, leg := range p.params.Bridge.Legs {
		part += p.through(v, leg)
	}
	if part*vb*vb/lampCold > lampGlows {
		return lampHot
	}
	return lampCold
}

func (p *Plant) lampGlows() bool {
	if p.around.limiter != "lamp" {
		return false
	}
	v, vb := p.look(), p.bus.net.vb
	i := 0.0
	for _, leg := range p.params.Bridge.Legs {
		i += p.through(v, leg) * vb / (p.limiterOhms(v, vb) + 2*deviceOn)
	}
	return i*vb > lampGlows
}

// branch is one branch of what hangs on the phases, Ω; 0: nothing does.
func (p *Plant) branch() float64 {
	switch p.around.load {
	case "star":
		if p.params.Fitted.Star > 0 {
			return float64(p.params.Fitted.Star)
		}
		return defaultStar
	case "dummy":
		return float64(p.params.Fitted.Load)
	}
	return 0
}

// turningLegs are the legs that the current goes in and out through, -1 where none does.
func (p *Plant) turningLegs() (in, out int) {
	s := p.log.last()
	if s == nil || !s.running && p.params.Modulation.Kind != antiphase || s.allOff() {
		return -1, -1
	}
	if p.params.Modulation.Kind == antiphase {
		return 0, 1
	}
	legs := sixStep[p.params.Commutation][s.code]
	if s.reverse {
		return legs.low, legs.high
	}
	return legs.high, legs.low
}

func (s *segment) allOff() bool {
	for _, x := range s.patterns {
		if x != low {
			return false
		}
	}
	return true
}
