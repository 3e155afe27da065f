package plant

import (
	"math"

	"benchwarden/instruments/quantity"
)

// Thermal is how the heat sink warms up. The zero value stays at the ambient temperature.
type Thermal struct {
	Rise         quantity.Celsius // above ambient in the end, on the nominal bus with the control section running, idle
	TimeConstant quantity.Seconds
	Fan          bool // a fan cools it; else the air goes by itself
}

// ambient is the air around the drive, in degC.
const ambient = 23

// deadFan is how many times the thermal resistance of a heat sink is that of the same with its fan running (practice). The heat
// that it stores stays the same, so that its time constant grows as much.
const deadFan = 3

// Temperature is that of the heat sink, without the thermometer's own error.
func (p *Plant) Temperature() quantity.Celsius {
	p.enter()
	defer p.mu.Unlock()
	return quantity.Celsius(ambient + p.warmth)
}

// warm brings the heat sink h seconds on: one capacity, one resistance to the air.
func (p *Plant) warm(v *view, h float64) {
	t := p.params.Thermal
	if !(t.Rise > 0 && t.TimeConstant > 0) {
		return
	}
	goal, tau := float64(t.Rise)*p.dissipates(v)*v.size("temperature_rising", 1), float64(t.TimeConstant)
	if v.has("fan_dead", "") {
		goal, tau = goal*deadFan, tau*deadFan
	}
	p.warmth += (goal - p.warmth) * (1 - math.Exp(-h/tau))
}

// dissipates is the power that becomes heat, in parts of what it is on the nominal bus.
func (p *Plant) dissipates(v *view) float64 {
	nominal, vb := float64(p.params.Bus.Nominal), p.bus.net.vb
	most := nominal*nominal*(1/float64(p.params.Bus.Bleeder)+p.unit.board) + p.unit.power
	now := vb * vb * (v.bleeder + p.unit.board + v.conductance)
	if p.section.on {
		now += p.unit.power
	}
	return now / most
}
