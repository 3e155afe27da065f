package plant

import (
	"math"
	"slices"
	"strings"

	"benchwarden/instruments/quantity"
)

// path is the way of the load's current through the bridge: up through the high side of leg in, down through the low side of leg out.
type path struct {
	in, out int        // legs
	ohms    float64    // of the whole loop
	volts   float64    // of the bus, less what the high side drops
	coils   bool       // the current goes on while no device is on; else what hangs there are resistors
	turned  float64    // part of the bus by which the legs' own modulators shift the output
	lost    [2]float64 // part of the bus that dead time takes from a current that flows from in to out, and from one that flows back
	part    float64    // of the period, high_side and complementary: what dead time takes from the pulse
}

// pathOf is the way through what hangs on the phases; false: there is none.
func (p *Plant) pathOf(v *view, in, out int) (w path, ok bool) {
	r := p.branch()
	if r == 0 || in < 0 {
		return path{}, false
	}
	legs := p.params.Bridge.Legs
	w = path{in: in, out: out, coils: p.around.load == "dummy", ohms: 2*r + 2*deviceOn, part: v.legs[legs[in]].high / p.unit.period}
	for _, c := range p.params.Bridge.Channels {
		through := c.Leg == legs[in] && c.Kind == "high" || c.Leg == legs[out] && c.Kind == "low"
		if !through {
			continue
		}
		if v.has("device_open", c.Name) {
			return path{}, false
		}
		w.ohms += v.sizeAt("device_resistance", c.Name)
	}
	w.volts = max(0, p.bus.net.vb-v.sizeAt("phases_unequal", legs[in]))
	w.turned = v.legs[legs[in]].more - v.legs[legs[out]].more
	if w.coils {
		w.lost = [2]float64{(v.legs[legs[in]].high + v.legs[legs[out]].low) / p.unit.period, (v.legs[legs[in]].low + v.legs[legs[out]].high) / p.unit.period}
	}
	return w, true
}

// amperes is the mean current at a duty. A coil's current goes on through the diodes while a leg's devices are both off: with both legs
// chopping that works against the current, whichever way it flows, so that a small output drives none.
func (w path) amperes(kind string, duty float64) float64 {
	switch {
	case kind == antiphase:
		out := 2*duty - 1 + w.turned
		lost := w.lost[0]
		if out < 0 {
			lost = w.lost[1]
		}
		return math.Copysign(max(0, abs(out)-lost), out) * w.volts / w.ohms
	case kind == highSide && w.coils:
		on := max(0, duty-w.part)
		return max(0, w.volts*on-diodeDrop*(1-on)) / w.ohms
	}
	return w.volts * max(0, duty-w.part) / w.ohms
}

// duty is the one at which a current flows.
func (w path) duty(kind string, amperes float64) float64 {
	volts := amperes * w.ohms
	switch {
	case kind == antiphase:
		lost := w.lost[0]
		if amperes < 0 {
			lost = -w.lost[1]
		}
		return (volts/w.volts + lost - w.turned + 1) / 2
	case kind == highSide && w.coils:
		return (volts+diodeDrop)/(w.volts+diodeDrop) + w.part
	}
	return volts/w.volts + w.part
}

// loadCurrent is the mean current from leg in through the load into leg out.
func (p *Plant) loadCurrent(v *view, in, out int) float64 {
	w, ok := p.pathOf(v, in, out)
	s := p.log.last()
	if !ok || s == nil || s.allOff() {
		return 0
	}
	return w.amperes(p.params.Modulation.Kind, p.drive.duty)
}

// regulate is the drive's own hold on its current: a current loop makes its duty so that the reference's current flows, and none gives
// more than the limit. What they go by are the current sensors, whatever those say.
func (p *Plant) regulate(duty float64) float64 {
	v := p.look()
	most := p.unit.currentLimit * v.size("current_limit_wrong", 1)
	in, out := p.turningLegs()
	w, ok := p.pathOf(v, in, out)
	if !p.opts.Fitted || most == 0 || !ok || !w.coils || w.volts < 1 {
		return duty
	}
	if full := p.unit.fullScaleCurrent; full > 0 && p.params.Loop == "current" {
		most = min(most, full*abs(p.asked())/float64(p.params.Reference.FullScale))
	}
	kind := p.params.Modulation.Kind
	flows := w.amperes(kind, duty)
	to := math.Copysign(1, flows)
	if most = p.felt(v, w, most, to); abs(flows) <= most {
		return duty
	}
	return w.duty(kind, to*most)
}

// felt is the current at which the first of the sensors on the way says most; to is 1 where it flows from in to out, -1 back.
func (p *Plant) felt(v *view, w path, most, to float64) float64 {
	flows := math.Inf(1)
	for _, k := range [...]int{w.in, w.out} {
		leg := p.params.Bridge.Legs[k]
		if !p.params.Fitted.sees(leg) {
			continue
		}
		sign := to
		if k == w.out {
			sign = -to
		}
		gain, offset := sensorFaults(v, leg)
		flows = min(flows, max(0, (most-sign*offset)/gain))
	}
	if math.IsInf(flows, 1) {
		return most // a limit that goes by something else
	}
	return flows
}

// sees says whether a leg has a current sensor.
func (f FittedStage) sees(leg string) bool {
	return len(f.Sensors) == 0 || slices.Contains(f.Sensors, leg)
}

// sensorFaults are what a leg's current sensor makes of the current beyond what a good one does: a factor, and A on top.
func sensorFaults(v *view, leg string) (gain, offset float64) {
	gain = 1
	if x := v.sizeAt("current_sensor_gain", leg); x != 0 {
		gain = x
	}
	return gain, v.sizeAt("current_sensor_offset", leg)
}

// phaseCurrent is the mean current that leaves a leg for the load, A.
func (p *Plant) phaseCurrent(leg string) float64 {
	in, out := p.turningLegs()
	i := p.loadCurrent(p.look(), in, out)
	switch {
	case in < 0:
		return 0
	case p.params.Bridge.Legs[in] == leg:
		return i
	case p.params.Bridge.Legs[out] == leg:
		return -i
	}
	return 0
}

// sensor is the output of a leg's current sensor, V.
func (p *Plant) sensor(leg string) float64 {
	if !p.params.Fitted.sees(leg) {
		return 0
	}
	own := p.unit.sensors[leg]
	gain, offset := sensorFaults(p.look(), leg)
	return p.params.Fitted.SensorGain * (gain*own.gain*p.phaseCurrent(leg) + own.offset + offset)
}

// sensorUnit is how the sensor of this unit differs from its kind's.
type sensorUnit struct{ gain, offset float64 }

// buildLoad gives the unit its current limit, its loop and its sensors.
func (p *Plant) buildLoad(spread func(string, float64) float64) {
	f, u := p.params.Fitted, &p.unit
	u.currentLimit = float64(f.CurrentLimit) * (1 + spread("current limit", float64(f.LimitWithin)))
	u.fullScaleCurrent = float64(f.FullScale) * (1 + spread("current loop", float64(f.GainWithin)))
	u.sensors = map[string]sensorUnit{}
	for _, leg := range p.params.Bridge.Legs {
		u.sensors[leg] = sensorUnit{1 + spread("sensor gain "+leg, float64(f.SensorWithin)), spread("sensor offset "+leg, float64(f.SensorOffset))}
	}
}

// Current is what an ammeter in series with a phase's load reads, point current:A.
func (p *Plant) Current(point string) (quantity.Amperes, bool) {
	leg, ok := strings.CutPrefix(point, "current:")
	if !ok {
		return 0, false
	}
	p.enter()
	defer p.mu.Unlock()
	return quantity.Amperes(p.phaseCurrent(leg)), true
}
