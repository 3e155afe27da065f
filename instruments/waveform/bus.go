package waveform

import (
	"math"

	"benchwarden/instruments/quantity"
)

// RampCurrent is the current that makes a capacitance rise by rate volts in a second: I = C·dU/dt.
func RampCurrent(c quantity.Farads, rate quantity.Volts) quantity.Amperes {
	return quantity.Amperes(float64(c) * float64(rate))
}

// StoredEnergy is the energy in a charged capacitance: ½·C·U².
func StoredEnergy(c quantity.Farads, u quantity.Volts) quantity.Joules {
	return quantity.Joules(float64(c) * float64(u) * float64(u) / 2)
}

// DischargeTime is how long a resistance takes to bring a capacitance from one voltage down to another: R·C·ln(from/to).
// It is infinite where to is not above zero, and zero where from is not above to. It is never a proof that the bus is down.
func DischargeTime(r quantity.Ohms, c quantity.Farads, from, to quantity.Volts) quantity.Seconds {
	switch {
	case from <= to:
		return 0
	case to <= 0:
		return quantity.Seconds(math.Inf(1))
	}
	return quantity.Seconds(float64(r) * float64(c) * math.Log(float64(from/to)))
}

// Bleeder is the resistance that brings a capacitance from one voltage down to another within a time, and the power that
// it turns into heat at the upper one.
func Bleeder(c quantity.Farads, from, to quantity.Volts, within quantity.Seconds) (quantity.Ohms, quantity.Watts) {
	r := float64(within) / (float64(c) * math.Log(float64(from/to)))
	return quantity.Ohms(r), quantity.Watts(float64(from*from) / r)
}
