package plant

import (
	"math"

	"benchwarden/instruments/quantity"
)

// feed is a supply with what it is wired to.
type feed struct {
	spec SupplySpec
	net  network
	rand func() float64 // read-back noise, about standard normal

	on                     bool
	set, limit             float64
	gain, offset           float64 // of the output against the setting
	readGain, readOffset   float64
	readGainA, readOffsetA float64

	from, to     float64 // the regulator's target moves from one to the other
	since, until float64

	ovp, ocp               float64
	ocpOn                  bool
	overSince              float64 // over the current protection's level since then
	ovpTripped, ocpTripped bool

	mode    Mode
	current float64 // of the regulator
}

func (f *feed) setOutput(now float64, on bool) {
	if on == f.on || on && (f.ovpTripped || f.ocpTripped) {
		return
	}
	f.on = on
	if on {
		f.from, f.since, f.to, f.until = f.net.vo, now, f.actual(f.set), now+float64(f.spec.Rise)
		if f.to < f.from { // an output that stands higher is not pulled down at once
			f.from, f.until = f.to, now
		}
	}
	f.overSince = math.Inf(1)
}

func (f *feed) setVoltage(now, v float64) {
	f.set = min(max(v, float64(f.spec.Lowest)), float64(f.spec.Highest))
	f.from, f.to = f.target(now), f.actual(f.set)
	if f.mode == CC { // the output never got to where the regulator wanted it
		f.from = f.net.vo
	}
	f.since, f.until = now, now+float64(f.spec.Rise)
}

// actual is what the output really goes to at a setting.
func (f *feed) actual(v float64) float64 {
	if v == 0 {
		return 0
	}
	return max(0, v*(1+f.gain)+f.offset)
}

// target is where the regulator wants the output at t.
func (f *feed) target(t float64) float64 {
	if t >= f.until {
		return f.to
	}
	return f.from + (f.to-f.from)*max(0, (t-f.since)/(f.until-f.since))
}

func (f *feed) moving(t float64) bool { return f.on && t < f.until }

// step brings supply and network from t to t+h under load l.
func (f *feed) step(t, h float64, l load) {
	if !f.on {
		f.mode, f.current = Off, 0
		f.net.driven(h, 0, l)
		return
	}
	goal, sink := f.target(t+h), float64(f.spec.Sink)
	before := f.net
	if f.net.vo > goal+1e-9 && !f.reachable(goal, h, sink, l) {
		f.net.driven(h, -sink, l)
		f.mode, f.current = CV, -sink
		if f.net.vo < goal {
			f.net.vo = goal
			f.net.settle(l)
		}
		f.protect(t + h)
		return
	}
	most, least := f.net.held(h, goal, l)
	f.mode, f.current = CV, f.net.io
	if most > f.limit || least < -sink {
		is := f.limit
		if least < -sink {
			is = -sink
		}
		f.net = before
		f.net.driven(h, is, l)
		f.current = is
		if is == f.limit {
			f.mode = CC
		}
		if (is == f.limit) == (f.net.vo > goal) {
			f.net.vo = goal
			f.net.settle(l)
			f.mode = CV
		}
	}
	f.protect(t + h)
}

// reachable says whether the output can be at goal after h although it stands higher now.
func (f *feed) reachable(goal, h, sink float64, l load) bool {
	n := f.net
	_, least := n.held(h, goal, l)
	return least >= -sink
}

// protect lets the protections act.
func (f *feed) protect(t float64) {
	if f.ovp > 0 && f.net.vo > f.ovp {
		f.ovpTripped, f.on = true, false
	}
	if !f.ocpOn || f.current <= f.ocp {
		f.overSince = math.Inf(1)
		return
	}
	f.overSince = min(f.overSince, t)
	if t-f.overSince >= float64(f.spec.TripsAfter) {
		f.ocpTripped, f.on = true, false
	}
}

func (f *feed) read() Reading {
	v, a := f.net.vo, f.current
	if f.spec.OutputRelay && !f.on {
		v = 0
	}
	v = v*(1+f.readGain) + f.readOffset + f.rand()*f.spec.Noise*float64(f.spec.Offset)
	a = a*(1+f.readGainA) + f.readOffsetA + f.rand()*f.spec.Noise*float64(f.spec.OffsetA)
	mode := f.mode
	if !f.on {
		mode = Off
	}
	return Reading{
		Voltage: quantity.Volts(v), Current: quantity.Amperes(a), Mode: mode, OVP: f.ovpTripped, OCP: f.ocpTripped,
		SetVoltage: quantity.Volts(f.set), SetCurrent: quantity.Amperes(f.limit), On: f.on,
	}
}

// reference is the bipolar source.
type reference struct {
	on           bool
	volts        float64
	from, to     float64
	since, until float64
	gain, offset float64
	rand         func() float64
}

// referenceRise is how long the source takes to a new setpoint.
const referenceRise = 0.004

func (r *reference) set(now float64, on bool, volts float64) {
	to := 0.0
	if on {
		to = volts*(1+r.gain) + r.offset
	}
	r.from, r.since, r.until = r.at(now), now, now+referenceRise
	r.to, r.on, r.volts = to, on, volts
}

// at is the voltage at the drive's reference input.
func (r *reference) at(t float64) float64 {
	if t >= r.until {
		return r.to
	}
	return r.from + (r.to-r.from)*(t-r.since)/(r.until-r.since)
}

func (r *reference) read(now float64) Reading {
	v := r.at(now) + r.rand()*2e-4
	mode := Off
	if r.on {
		mode = CV
	}
	return Reading{Voltage: quantity.Volts(v), Mode: mode, SetVoltage: quantity.Volts(r.volts), SetCurrent: 0.01, On: r.on}
}
