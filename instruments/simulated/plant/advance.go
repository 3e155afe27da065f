package plant

import "math"

// Steps of the model, in seconds. Between acts and edges it takes the longest step in which nothing moves by more than stepVolts.
const (
	shortest  = 0.2e-3
	longest   = 5e-3
	quick     = 50e-6 // while the reference moves
	stepVolts = 0.05
)

// section is the drive's control section with its rails.
type section struct {
	on      bool
	since   float64 // started or stopped
	readyAt float64 // first pattern
	shape   float64 // of the rails, 0 to 1
}

// stir makes the next steps short, since something was changed.
func (p *Plant) stir() { p.step = shortest }

// advance brings the model to t.
func (p *Plant) advance(t float64) {
	for p.now < t {
		h := min(p.step, t-p.now)
		if next := p.nextEvent(); next > p.now {
			h = min(h, next-p.now)
		}
		if p.now < p.reference.until {
			h = min(h, quick)
		}
		p.tick(h)
	}
	p.log.forget(t - History.Seconds())
}

// tick brings the model h seconds on.
func (p *Plant) tick(h float64) {
	v := p.look()
	p.wire(v)
	busBefore, controlBefore := p.bus.net.vb, p.control.net.vb
	p.bus.step(p.now, h, p.busLoad(v))
	p.control.step(p.now, h, p.controlLoad())
	p.now += h
	p.section.update(p, h)
	p.warm(v, h)
	p.hall.turn(p.now)
	p.drive.integrate(p, h)
	p.think()
	p.record()

	moved := max(abs(p.bus.net.vb-busBefore), abs(p.control.net.vb-controlBefore))
	limit := longest
	switch {
	case p.bus.moving(p.now), p.control.moving(p.now), p.section.moving(p.now), p.drive.ramping:
		limit = shortest
	case p.bus.mode == CC && moved > 1e-6:
		limit = 2 * shortest
	case moved > 0:
		limit = max(shortest, min(longest, h*stepVolts/moved))
	}
	p.step = max(shortest, min(limit, 2*max(h, shortest)))
}

// nextEvent is the next instant at which something changes by itself.
func (p *Plant) nextEvent() float64 {
	next := math.Inf(1)
	for _, t := range [...]float64{
		p.bus.until, p.control.until, p.reference.until, p.section.since + railDelay, p.section.since + railDelay + railRise,
		p.section.readyAt, p.hall.next, p.drive.idleAt, p.tappedUntil, p.nextReaction(p.now),
	} {
		if t > p.now {
			next = min(next, t)
		}
	}
	return next
}

// wire brings the networks to how leads, contactor, fuse, relay and faults stand.
func (p *Plant) wire(v *view) {
	b, n := p.bus, &p.bus.net
	relay := b.spec.OutputRelay && !b.on
	n.cut = p.leadsOff["bus"] || v.fuseOpen || relay || p.opts.Contactor && !p.contacts["bus_contactor"]
	n.series = max(1e-3, float64(b.spec.Resistance))
	if p.around.decouple {
		n.series += decoupling
	}
	if soft := float64(p.params.Bus.SoftCharge); soft > 0 {
		switch {
		case n.vb < 2 || !p.section.on: // the control section feeds its coil
			p.relayIn = false
		case n.vo > 5 && n.vb > 0.9*n.vo:
			p.relayIn = true
		}
		closed := p.relayIn && !v.has("relay_not_pulling", "") || v.has("relay_welded", "")
		switch {
		case closed:
		case v.has("soft_charge_open", ""):
			n.cut = true
		default:
			n.series += soft
		}
	}
	if relay {
		n.vo = 0
	}
	n.c, n.esr = p.busC*v.capacitance, v.esr
	p.control.net.cut = p.leadsOff["control"] || p.control.spec.OutputRelay && !p.control.on
}

func (p *Plant) busLoad(v *view) load {
	vb := p.bus.net.vb
	l := load{g: v.bleeder + p.unit.board + v.conductance}
	l.g += p.bridgeLoad(v, vb)
	l.g += v.current / max(vb, float64(p.params.Bus.Reduced)/2) // a sick board's current goes with the voltage at the bottom
	if p.params.Control.Feed == "from_bus" {
		l = p.section.draws(p, vb, l)
	}
	return l
}

func (p *Plant) controlLoad() load {
	if p.params.Control.Feed == "from_bus" {
		return load{}
	}
	return p.section.draws(p, p.control.net.vb, load{g: 1e-4})
}

// draws adds what the control section takes at its input voltage.
func (s *section) draws(p *Plant, v float64, l load) load {
	if !s.on || v <= 0 {
		l.g += p.unit.standby
		return l
	}
	l.i += p.unit.power / v
	return l
}

// input is the voltage the control section lives on.
func (p *Plant) input() float64 {
	if p.params.Control.Feed == "from_bus" {
		return p.bus.net.vb
	}
	return p.control.net.vb
}

// sagging is how far the rails have followed the input down although the section should have stopped.
func (s *section) sagging(p *Plant) float64 {
	return min(1, p.input()/p.unit.stop)
}

func (s *section) moving(t float64) bool {
	return t < s.since+railDelay+railRise || s.shape > 0 && s.shape < 1
}

func (s *section) update(p *Plant, h float64) {
	v := p.input()
	stop := p.unit.stop
	noLockout := p.drive.view.has("undervoltage_lockout_dead", "")
	if noLockout {
		stop *= 0.4
	}
	switch {
	case !s.on && v >= p.unit.start:
		s.on, s.since, s.readyAt = true, p.now, p.now+p.unit.ready
		p.twitch("twitch_power_up", p.now+railDelay+0.7*railRise)
	case s.on && v < stop:
		s.on, s.since, s.readyAt = false, p.now, math.Inf(1)
		p.drive.latched, p.drive.latchedByHall = false, false
		p.twitch("twitch_brown_out", p.now+0.1*railFall)
	}
	switch {
	case !s.on:
		s.shape *= math.Exp(-h / railFall)
		if s.shape < 1e-4 {
			s.shape = 0
		}
	case p.now > s.since+railDelay:
		s.shape = min(1, s.shape+h/railRise)
	}
	if s.on && noLockout && s.shape > s.sagging(p) {
		s.shape = s.sagging(p)
	}
}

// record logs what Capture will want to see.
func (p *Plant) record() {
	l := &p.log
	l.bus.add(p.now, p.bus.net.vb)
	l.control.add(p.now, p.control.net.vb)
	l.shape.add(p.now, p.section.shape)
	l.duty.add(p.now, p.drive.duty)
}
