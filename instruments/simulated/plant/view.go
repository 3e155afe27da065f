package plant

import (
	"slices"
	"strconv"
	"strings"
)

// view is what the faults that are there at the moment do to the unit.
type view struct {
	mask     uint64
	active   []Fault
	channels []effect
	legs     map[string]legTiming
	rails    map[string]railView
	jitter   float64

	capacitance, esr float64 // part; Ω
	bleeder          float64 // S
	conductance      float64 // S, of shorts
	current          float64 // A on top
	fuseOpen         bool
}

// stuck is what a gate does whatever the logic wants.
type stuck byte

const (
	free stuck = iota
	stuckOn
	stuckOff
	dead
)

// effect is how one gate channel differs from what its pattern says.
type effect struct {
	source          int // channel of the logic that drives it
	stuck           stuck
	level           float64 // part of the good on level
	noBias          bool
	resistance      float64 // of the driver, Ω
	riseTau         float64 // at least this, s
	fallTau         float64
	onLate, offLate float64
	ring            float64 // part of the swing
	oneIn           float64 // pulses, one of so many is missing; 0: none
	sag             float64 // part of the level lost while on
	noSupply        bool    // bootstrap diode open
}

// legTiming is how long after the other gate of the leg each gate turns on, s, and by how much of the period the modulator leaves the
// high side on longer than it should.
type legTiming struct{ high, low, more float64 }

type railView struct {
	level       float64 // V when up
	noise, cold float64 // peak to peak, V
	ripple      float64 // of a good rail, peak to peak, V
	lockedOut   bool    // too low for the drivers on it
}

// look gives the view of the faults that are there now.
func (p *Plant) look() *view {
	var mask uint64
	for i, f := range p.opts.Faults {
		there := true
		switch f.When {
		case WhenBus:
			there = p.bus.net.vb >= f.At
		case WhenWarm:
			there = p.section.on && p.now-p.section.since >= f.At
		case WhenTapped:
			there = p.now < p.tappedUntil && f.feels(p.tappedAt)
		}
		if there {
			mask |= 1 << i
		}
	}
	if p.drive.view != nil && p.drive.view.mask == mask {
		return p.drive.view
	}
	v := p.views[mask]
	if v == nil {
		v = p.newView(mask)
		p.views[mask] = v
	}
	p.drive.view = v
	return v
}

func (p *Plant) newView(mask uint64) *view {
	u := &p.unit
	v := &view{mask: mask, legs: map[string]legTiming{}, rails: map[string]railView{}, jitter: u.jitter, capacitance: 1, esr: p.busESR, bleeder: u.bleeder}
	for i, f := range p.opts.Faults {
		if mask&(1<<i) != 0 {
			v.active = append(v.active, f)
		}
	}
	for i := range p.params.Bridge.Channels {
		v.channels = append(v.channels, effect{source: i, level: 1, resistance: u.driver[i]})
	}
	for _, leg := range p.params.Bridge.Legs {
		v.legs[leg] = legTiming{high: u.deadTime, low: u.deadTime}
	}
	for name, r := range p.params.Rails {
		v.rails[name] = railView{level: u.rails[name], ripple: 0.15 * float64(r.Ripple)}
	}
	for _, f := range v.active {
		v.board(p, f)
		v.busFault(f)
	}
	for name, r := range v.rails {
		nominal := abs(float64(p.params.Rails[name].Nominal))
		r.lockedOut = abs(r.level) < goodLockout*nominal
		v.rails[name] = r
	}
	return v
}

func (v *view) board(p *Plant, f Fault) {
	if i := p.channel(f.Target); i >= 0 {
		v.channelFault(&v.channels[i], f)
	}
	switch f.Name {
	case "channels_swapped":
		a, b, _ := strings.Cut(f.Target, ",")
		i, j := p.channel(a), p.channel(b)
		v.channels[i].source, v.channels[j].source = v.channels[j].source, v.channels[i].source
	case "dead_time_missing", "dead_time_short", "dead_time_long", "overlap_one_edge":
		for leg, t := range v.legs {
			if f.Target != "" && f.Target != leg {
				continue
			}
			if f.Name == "overlap_one_edge" {
				t.low = -f.Size
			} else {
				t.high, t.low = f.Size, f.Size
			}
			v.legs[leg] = t
		}
	case "dc_offset":
		t := v.legs[f.Target]
		t.more = f.Size
		v.legs[f.Target] = t
	case "jitter":
		v.jitter = min(f.Size, p.unit.period/2)
	case "rail_low", "rail_missing", "rail_noisy", "rail_ripple_cold":
		r := v.rails[f.Target]
		switch f.Name {
		case "rail_low":
			r.level *= f.Size
		case "rail_missing":
			r.level = 0
		case "rail_noisy":
			r.noise = f.Size
		case "rail_ripple_cold":
			r.cold = f.Size
		}
		v.rails[f.Target] = r
	case "hall_supply_short":
		if r, ok := v.rails["hall"]; ok {
			r.level, r.ripple = 0, 0
			v.rails["hall"] = r
		}
	}
}

func (v *view) channelFault(e *effect, f Fault) {
	switch f.Name {
	case "channel_dead", "gate_resistor_open":
		e.stuck = dead
	case "stuck_on":
		e.stuck = stuckOn
	case "stuck_off", "gate_clamp_shorted", "driver_output_shorted":
		e.stuck = stuckOff
	case "low_drive_level":
		e.level = f.Size
	case "no_negative_bias":
		e.noBias = true
	case "weak_driver":
		e.resistance = f.Size
	case "slow_rise":
		e.riseTau = f.Size / ln9
	case "slow_fall":
		e.fallTau = f.Size / ln9
	case "late_pulses":
		e.onLate, e.offLate = f.Size, f.Size
	case "narrow_pulses":
		e.onLate = f.Size
	case "ringing":
		e.ring = f.Size
	case "pulses_missing":
		e.oneIn = max(1, f.Size)
	case "bootstrap_diode_open":
		e.noSupply = true
	case "bootstrap_capacitor":
		e.sag = min(f.Size, 1)
	}
}

func (v *view) busFault(f Fault) {
	switch f.Name {
	case "quiescent_high":
		v.current += f.Size
	case "bus_short", "chopper_shorted":
		v.conductance += 1 / max(1e-3, f.Size)
	case "capacitance_low":
		v.capacitance = max(1e-6, f.Size)
	case "series_resistance_high":
		v.esr = max(1e-3, f.Size)
	case "bleeder_open":
		v.bleeder = 0
	case "bus_fuse_open":
		v.fuseOpen = true
	}
}

// has says whether a fault is there, at this target when one is given.
func (v *view) has(name, target string) bool {
	return slices.ContainsFunc(v.active, func(f Fault) bool {
		return f.Name == name && (target == "" || f.Target == target)
	})
}

// size is that of a fault that is there, else the good value.
func (v *view) size(name string, good float64) float64 {
	for _, f := range v.active {
		if f.Name == name {
			return f.Size
		}
	}
	return good
}

// lines are the Hall lines that a fault names; none when it is not there.
func (v *view) lines(name string) (lines []int) {
	for _, f := range v.active {
		if f.Name != name {
			continue
		}
		for t := range strings.SplitSeq(f.Target, ",") {
			n, _ := strconv.Atoi(t)
			lines = append(lines, n)
		}
	}
	return lines
}

// faulty says whether a fault is there now.
func (p *Plant) faulty(name, target string) bool { return p.look().has(name, target) }

func (p *Plant) channel(name string) int {
	return slices.IndexFunc(p.params.Bridge.Channels, func(c Channel) bool { return c.Name == name })
}
