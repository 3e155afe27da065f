package drive

import (
	"fmt"
	"slices"

	"benchwarden/instruments/quantity"
)

// headroom is how far a stage's over-voltage trip may lie above the drive's nominal bus (common practice, no source).
const headroom = 1.2

func (j *judge) stage(f *Family, s Stage) {
	key := "stages." + string(s)
	if !slices.Contains([]Stage{Cold, Rails, Board, Fitted, Soak}, s) {
		j.fault(key, "%s", "no such stage: "+notOneOf(string(s), []string{"cold", "rails", "board", "fitted", "soak"}))
		return
	}
	l := f.Stages[s]
	j.positive(key+".bus_voltage", float64(l.BusVoltage), l.BusVoltage)
	j.positive(key+".bus_current", float64(l.BusCurrent), l.BusCurrent)
	if l.BusVoltage > quantity.Volts(headroom)*f.Bus.Nominal {
		j.fault(key+".bus_voltage", "%v is more than a fifth above the nominal bus %v", l.BusVoltage, f.Bus.Nominal)
	}
	if !(l.BusCurrent < l.CurrentLimit) {
		j.fault(key+".bus_current", "trips above %v, but the supply is limited to %v: the trip could never act; give less than the current limit",
			l.BusCurrent, l.CurrentLimit)
	}
	if f.Control.Feed == Separate {
		j.controlLimits(f, key, l)
	}
	j.notNegative(key+".ramp_time", float64(l.RampTime), l.RampTime)
	j.notNegative(key+".ramp_energy", float64(l.RampEnergy), l.RampEnergy)
	j.notNegative(key+".run_time", float64(l.RunTime), l.RunTime)
	j.notNegative(key+".uncontrolled_energy", float64(l.UncontrolledEnergy), l.UncontrolledEnergy)
	j.persistence(key+".persistence", l.Persistence)
	for i, need := range l.Needs {
		if !slices.Contains(Checks(), need) {
			j.fault(fmt.Sprintf("%s.needs[%d]", key, i), "%s", notOneOf(need, Checks()))
		}
	}
	if s == Board {
		j.board(f, key, l)
	}
	if s == Rails && f.Control.Feed == FromBus && !(l.BusVoltage > f.Bus.Minimum) {
		j.fault(key+".bus_voltage", "%v has to be above the minimum bus %v that feeds the control section", l.BusVoltage, f.Bus.Minimum)
	}
}

func (j *judge) controlLimits(f *Family, key string, l StageLimits) {
	if !(l.ControlVoltage > f.Control.Nominal) {
		j.fault(key+".control_voltage", "the trip %v has to be above the control supply's nominal %v", l.ControlVoltage, f.Control.Nominal)
	}
	if !(l.ControlCurrent >= f.Control.Current) {
		j.fault(key+".control_current", "the trip %v has to be at or above what a good drive draws, %v", l.ControlCurrent, f.Control.Current)
	}
	if !(l.ControlCurrent < l.ControlLimit) {
		j.fault(key+".control_current", "trips above %v, but the supply is limited to %v: the trip could never act; give less than the current limit",
			l.ControlCurrent, l.ControlLimit)
	}
}

// board holds the figures of the board stage against those of the drive: a good drive must get through its own limits.
func (j *judge) board(f *Family, key string, l StageLimits) {
	if !(l.BusVoltage > f.Bus.Reduced) {
		j.fault(key+".bus_voltage", "the trip %v has to be above the reduced bus %v", l.BusVoltage, f.Bus.Reduced)
	}
	if !(l.BusCurrent > f.Bus.Quiescent.High) {
		j.fault(key+".bus_current", "the trip %v has to be above the highest quiescent current of a good drive, %v", l.BusCurrent, f.Bus.Quiescent.High)
	}
	if f.Control.Feed == FromBus && f.Bus.Minimum > 0 {
		draws := quantity.Amperes(float64(f.Control.Power) / float64(f.Bus.Minimum))
		if !(l.BusCurrent > draws) {
			j.fault(key+".bus_current", "the trip %v has to be above the %v that the control section draws at the minimum bus", l.BusCurrent, draws)
		}
	}
}
