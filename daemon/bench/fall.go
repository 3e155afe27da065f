package bench

import (
	"math"
	"time"

	"benchwarden/instruments/quantity"
)

// pull is everything that may pull the drive's bus down.
type pull struct {
	drive     Drive
	sink      quantity.Amperes // what the supply says it can sink
	resistors []quantity.Ohms  // further resistors that may stand across the bus
}

// known tells whether a fall of the bus can be judged at all.
func (p pull) known() bool { return p.drive.CapacitanceLeast > 0 }

func (p pull) conductance() float64 {
	g := 0.0
	if p.drive.BleederLeast > 0 {
		g = 1 / float64(p.drive.BleederLeast)
	}
	for _, r := range p.resistors {
		if r > 0 {
			g += 1 / float64(r)
		}
	}
	return g
}

// shortest is the least time in which the bus can fall from one voltage to a lower one when everything that may pull it does,
// and its capacitance is the least that its tolerance allows.
//
// Resistors and a constant current alone: t = (C/G)·ln((G·U0 + I)/(G·U1 + I)), which without current is the known
// t = RC·ln(U0/U1). A control section that draws constant power adds P/U above its stop voltage; that part is integrated.
func (p pull) shortest(from, to quantity.Volts) time.Duration {
	u0, u1 := float64(from), math.Max(float64(to), 0)
	if !p.known() || u0 <= u1 {
		return 0
	}
	stop := float64(p.drive.ControlStop)
	seconds := 0.0
	if p.drive.ControlPower > 0 && u0 > stop {
		seconds += p.integral(u0, math.Max(u1, stop))
		u0 = math.Max(u1, stop)
	}
	seconds += p.closed(u0, u1)
	return duration(seconds)
}

func (p pull) closed(u0, u1 float64) float64 {
	if u0 <= u1 {
		return 0
	}
	c, g, i := float64(p.drive.CapacitanceLeast), p.conductance(), float64(p.sink)
	switch {
	case g == 0 && i == 0:
		return math.Inf(1)
	case g == 0:
		return c * (u0 - u1) / i
	case g*u1+i == 0: // resistors alone never reach zero
		return math.Inf(1)
	default:
		return c / g * math.Log((g*u0+i)/(g*u1+i))
	}
}

// integral is C·∫ dU / (G·U + P/U + I) by Simpson's rule.
func (p pull) integral(u0, u1 float64) float64 {
	const steps = 64
	g, w, i := p.conductance(), float64(p.drive.ControlPower), float64(p.sink)
	slowness := func(u float64) float64 {
		if u == 0 {
			return 0 // constant power pulls without bound there
		}
		return 1 / (g*u + w/u + i)
	}
	h := (u0 - u1) / steps
	sum := slowness(u1) + slowness(u0)
	for k := 1; k < steps; k++ {
		weight := 4.0
		if k%2 == 0 {
			weight = 2
		}
		sum += weight * slowness(u1+float64(k)*h)
	}
	return float64(p.drive.CapacitanceLeast) * sum * h / 3
}

// longest is how long the bus needs to fall when only its own bleeder pulls, at the extremes that make it slow; 0 if the
// family states no bleeder.
func (d Drive) longest(from, to quantity.Volts) time.Duration {
	if d.BleederMost <= 0 || d.CapacitanceMost <= 0 || to <= 0 || from <= to {
		return 0
	}
	return duration(float64(d.BleederMost) * float64(d.CapacitanceMost) * math.Log(float64(from/to)))
}

func duration(seconds float64) time.Duration {
	if seconds > 1e9 {
		return 1e9 * time.Second
	}
	return time.Duration(seconds * float64(time.Second))
}
