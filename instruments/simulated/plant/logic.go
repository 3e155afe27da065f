package plant

import (
	"math"
	"slices"
)

// pattern is what the drive's logic wants of one gate.
type pattern byte

const (
	low     pattern = iota // off
	high                   // on
	chop                   // on for the duty, from the start of each period
	inverse                // on for the rest
)

const (
	complementary = "complementary"
	highSide      = "high_side"
	antiphase     = "locked_antiphase"
)

// drive is the state of the drive's logic.
type drive struct {
	view          *view
	latched       bool // drive fault
	latchedByHall bool
	running       bool // the reference asks for a turn
	reverse       bool
	idleAt        float64 // when a reference near zero becomes idle
	drive         float64 // what the loop gives, 0 to its highest duty
	duty, before  float64 // of the chopping gates now and a step ago
	ramping       bool
	lastCode      int // last valid
}

// Behaviour of the logic that no family states (practice).
const (
	zeroFor    = 0.020 // a reference has to be near zero for so long to count as zero
	saturation = 0.020 // time in which a loop without feedback goes to its largest duty
)

// asked is the reference as the drive sees it.
func (p *Plant) asked() float64 {
	v := p.look()
	r := p.reference.at(p.now)*v.size("reference_gain", 1) + v.size("reference_offset", 0)
	if zone := v.size("reference_dead_zone", 0); zone > 0 {
		r = math.Copysign(max(0, abs(r)-zone), r)
	}
	if r < 0 && v.has("reference_polarity_missing", "negative") || r > 0 && v.has("reference_polarity_missing", "positive") {
		return 0
	}
	return r
}

// integrate follows the reference and lets the loop go on for h seconds.
func (d *drive) integrate(p *Plant, h float64) {
	r, q := p.asked(), p.params.Reference
	zero := max(1.2*float64(q.Offset), 0.005*float64(q.FullScale))
	highest, before := p.unit.highestDuty, d.duty
	jump := false
	switch {
	case abs(r) > zero:
		if jump = !d.running; jump {
			d.drive = highest / 10
		} else if jump = d.reverse != (r < 0); jump {
			d.drive = highest / 2
		}
		d.running, d.reverse, d.idleAt = true, r < 0, math.Inf(1)
	case d.running && math.IsInf(d.idleAt, 1):
		d.idleAt = p.now + zeroFor
	case d.running && p.now >= d.idleAt:
		d.running, d.idleAt, jump = false, math.Inf(1), true
	}
	if last := p.log.last(); last != nil && !last.running { // a loop that is not let is held back
		d.drive = min(d.drive, highest/10)
	}
	d.ramping = d.running && p.params.Loop != "open" && d.drive < highest
	if p.params.Loop == "open" {
		d.drive = min(1, abs(r)/float64(q.FullScale)) * highest
	} else {
		d.drive = min(highest, d.drive+highest*h/saturation)
	}
	switch {
	case !d.running:
		d.duty = 0.5 // for drives that toggle when idle
	case p.params.Modulation.Kind == antiphase && d.reverse:
		d.duty = max(0.02, 0.5-d.drive/2)
	case p.params.Modulation.Kind == antiphase:
		d.duty = min(0.5+d.drive/2, 0.98)
	default:
		d.duty = d.drive
	}
	if d.running || p.params.Modulation.Kind == antiphase { // a drive that toggles at rest puts its offset out
		d.duty = p.regulate(d.duty)
	}
	if jump {
		p.log.duty.add(p.now, before)
	}
	d.before = before
}

// given says whether a permissive is seen by the drive.
func (p *Plant) given(name string) bool {
	q, v := p.params.Permissives[name], p.look()
	if v.has("permissive_stuck_away", name) || v.has("sense_always_reports", name) {
		return false
	}
	if v.has("permissive_stuck_given", name) {
		return true
	}
	if !p.opts.Fitted && !v.has("sense_never_reports", name) {
		for _, s := range p.params.StandIns {
			if s.Sense == name && !p.standIns[s.Name] {
				return false
			}
		}
	}
	return q.Contact == "" || p.sees(q, p.slow(name)) == (q.Normal == "closed")
}

// senses says whether a stand-in, and so a missing part, acts on the permissive.
func (p *Plant) senses(name string) bool {
	return slices.ContainsFunc(p.params.StandIns, func(s StandIn) bool { return s.Sense == name })
}

// lamp says whether the drive's fault lamp is lit: for a latched fault, a missing part, or a permissive that latches.
func (p *Plant) lamp() bool {
	v := p.look()
	alive := p.section.on && p.now >= p.section.readyAt
	switch {
	case !p.section.on || v.has("fault_lamp_dead", ""):
		return false
	case v.has("fault_lamp_stuck", ""):
		return true
	case !alive:
		return false
	case p.drive.latched:
		return true
	}
	for name, q := range p.params.Permissives {
		if (q.Latches || p.senses(name)) && !p.given(name) {
			return true
		}
	}
	return false
}

// inhibited says whether the inhibit input blocks the gates.
func (p *Plant) inhibited() bool {
	q := p.params.Inhibit
	return q != nil && !p.faulty("inhibit_dead", "") && p.sees(*q, p.slow("")) != (q.Normal == "closed")
}

// think lets the logic decide what the gates do, and logs it when it is new.
func (p *Plant) think() {
	v := p.look()
	s := segment{
		t0: p.now, view: v, loaded: p.opts.Fitted || p.standIns["gate_capacitors"], since: p.section.since,
		floating: !p.opts.Fitted && !p.standIns["switch_node_jumpers"],
	}
	s.patterns = p.decide(&s)
	last := p.log.last()
	if last != nil {
		s.origin = last.origin
		if s.same(last) {
			return
		}
		if last.running && s.running && last.reverse != s.reverse && last.code == s.code && p.section.on {
			p.reversal(&s, last)
		}
	}
	p.log.enter(s)
}

// reversal moves a change of direction to the end of the chopping gate's pulse, where the drive latches it, and restarts the
// period there: both gates of both legs then change over with the dead time between them.
func (p *Plant) reversal(s, last *segment) {
	k := math.Floor((p.now - last.origin) / p.unit.period)
	for i := range 3 {
		start := p.cycle(last, k+float64(i))
		duty := p.drive.before
		if start < p.now {
			duty = p.log.duty.at(start)
		}
		if end := start + duty*p.unit.period; end >= p.now {
			s.t0, s.origin = end, end
			last.heldFrom, last.held = p.now, duty
			return
		}
	}
}

// decide gives the pattern of every channel and marks in s how it came about.
func (p *Plant) decide(s *segment) []pattern {
	d, v := &p.drive, s.view
	n := len(p.params.Bridge.Channels)
	if !p.section.on || v.rails["logic"].lockedOut {
		return make([]pattern, n)
	}
	if p.now < p.section.readyAt {
		return p.quiet(p.params.Patterns.StartUp)
	}
	p.latch()
	switch {
	case d.latchedByHall:
		return p.quiet(p.params.Patterns.Invalid)
	case d.latched || p.inhibited():
		return p.quiet(p.params.Patterns.Inhibited)
	}
	for name, q := range p.params.Permissives {
		blocks := q.Stops == "" || q.Stops == "both" || d.running && (q.Stops == "reverse") == d.reverse
		if blocks && !p.given(name) {
			return p.quiet(p.params.Patterns.Inhibited)
		}
	}
	if !d.running {
		return p.quiet(p.params.Patterns.Idle)
	}
	s.running, s.reverse, s.code = true, d.reverse, d.lastCode
	if p.params.Modulation.Kind == antiphase {
		s.reverse = false // only the duty tells
		return p.turning(0, 1)
	}
	legs := sixStep[p.params.Commutation][d.lastCode]
	if d.reverse {
		return p.turning(legs.low, legs.high)
	}
	return p.turning(legs.high, legs.low)
}

// latch keeps the drive's own faults: an invalid Hall code or a latching permissive, seen while the drive is enabled. They go
// by withdrawing enable or, where the drive resets so, by switching its power off.
func (p *Plant) latch() {
	d := &p.drive
	if _, has := p.params.Permissives["enable"]; has && !p.given("enable") {
		if p.params.Reset != "power" {
			d.latched, d.latchedByHall = false, false
		}
		return
	}
	if p.faulty("fault_not_latched", "") {
		d.latched, d.latchedByHall = false, false
	}
	for name, q := range p.params.Permissives {
		if q.Latches && !p.given(name) {
			d.latched = true
		}
	}
	if u := p.unit.lockoutHigh; u > 0 && p.bus.net.vb > u && !p.faulty("overvoltage_lockout_dead", "") {
		d.latched = true
	}
	if p.params.Commutation == "none" {
		return
	}
	code := p.hallSeen()
	if _, valid := sixStep[p.params.Commutation][code]; valid {
		if !d.latched {
			d.lastCode = code
		}
		return
	}
	if !p.faulty("invalid_hall_not_inhibited", "") {
		d.latched, d.latchedByHall = true, true
	}
}

// turning are the patterns while the current goes in through one leg's high switch and out through another's low switch.
func (p *Plant) turning(in, out int) []pattern {
	kind, legs := p.params.Modulation.Kind, p.params.Bridge.Legs
	patterns := make([]pattern, len(p.params.Bridge.Channels))
	for i, c := range p.params.Bridge.Channels {
		switch {
		case c.Kind != "high" && c.Kind != "low":
		case kind == antiphase:
			patterns[i] = inverse
			if (c.Leg == legs[in]) == (c.Kind == "high") {
				patterns[i] = chop
			}
		case c.Leg == legs[in] && c.Kind == "high":
			patterns[i] = chop
		case c.Leg == legs[in] && kind != highSide:
			patterns[i] = inverse
		case c.Leg == legs[out] && c.Kind == "low":
			patterns[i] = high
		}
	}
	return patterns
}

// quiet are the patterns while no motor is asked to turn.
func (p *Plant) quiet(word string) []pattern {
	if word == "toggle" && p.params.Modulation.Kind == antiphase {
		return p.turning(0, 1)
	}
	out := make([]pattern, len(p.params.Bridge.Channels))
	for i, c := range p.params.Bridge.Channels {
		switch {
		case word == "low_on" && c.Kind == "low":
			out[i] = high
		case word == "toggle" && c.Kind == "high":
			out[i] = chop
		case word == "toggle" && c.Kind == "low":
			out[i] = inverse
		}
	}
	return out
}
