package plant

import (
	"math"
	"slices"
)

// span is a stretch of time in which a gate is driven on.
type span struct{ a, b float64 }

// cycle is where chopping period k of a segment begins, the period's jitter included.
func (p *Plant) cycle(s *segment, k float64) float64 {
	t := s.origin + k*p.unit.period
	if k == 0 {
		return t
	}
	h := hash(p.opts.Seed, wordJitter, math.Float64bits(s.origin), math.Float64bits(k))
	return t + evenly(h)*s.view.jitter/2
}

// What a hash is for, beside the seed.
var wordJitter, wordMissing = word("jitter"), word("missing")

// dutyAt is the duty of the period that begins at t.
func (s *segment) dutyAt(duty *cursor, t float64) float64 {
	if s.held > 0 && t >= s.heldFrom {
		return s.held
	}
	return duty.at(t)
}

// spans lists when channel i's gate is driven on between from and to, as the logic and the faults of the logic want it; delays
// and stuck drivers come later. Spans touch no other.
func (p *Plant) spans(i int, from, to float64) []span {
	out := make([]span, 0, 8+int(min(1e6, (min(to, p.now+1)-from)/p.unit.period)))
	add := func(a, b float64) {
		if b <= a {
			return
		}
		if n := len(out); n > 0 && a <= out[n-1].b {
			out[n-1].b = max(out[n-1].b, b)
			return
		}
		out = append(out, span{a, b})
	}
	duty := cursor{c: &p.log.duty}
	duty.seek(from - 2*p.unit.period)
	for n := p.log.find(from); n < len(p.log.segments); n++ {
		s := &p.log.segments[n]
		if s.t0 > to {
			break
		}
		src := s.view.channels[i].source
		begin, end := s.t0, p.log.end(n)
		if n > 0 && !p.goesOn(&p.log.segments[n-1], s, i, src) {
			begin += p.turnOnDelay(s.view, src)
		}
		begin, end = max(begin, from-2*p.unit.period), min(end, to+2*p.unit.period)
		switch pat := s.patterns[src]; pat {
		case high:
			add(begin, end)
		case chop, inverse:
			p.chopped(s, i, src, pat == inverse, &duty, begin, end, add)
		}
	}
	for n, t := range p.log.twitches {
		if p.log.twitching[n] == i {
			out = insert(out, t)
		}
	}
	return out
}

// goesOn says whether the channel's gate is driven on from one segment to the next without a break.
func (p *Plant) goesOn(before, s *segment, i, src int) bool {
	was := before.view.channels[i].source
	return was == src && before.patterns[src] == s.patterns[src] && before.origin == s.origin
}

func (p *Plant) turnOnDelay(v *view, src int) float64 {
	c := p.params.Bridge.Channels[src]
	if c.Kind == "low" {
		return v.legs[c.Leg].low
	}
	return v.legs[c.Leg].high
}

// chopped adds the spans of a chopping channel.
func (p *Plant) chopped(s *segment, i, src int, inverse bool, duty *cursor, begin, end float64, add func(a, b float64)) {
	dead := p.turnOnDelay(s.view, src)
	oneIn := s.view.channels[i].oneIn
	first := math.Floor((begin-s.origin)/p.unit.period) - 1
	last := math.Ceil((end-s.origin)/p.unit.period) + 1
	next := p.cycle(s, first)
	for k := first; k <= last; k++ {
		start := next
		next = p.cycle(s, k+1)
		d := p.legDuty(s, src, inverse, s.dutyAt(duty, start))
		off := start + d*p.unit.period
		a, b := start+dead, off
		if inverse {
			a, b = off+dead, next
		}
		switch {
		case d <= 0 && inverse, d >= 1 && !inverse:
			a, b = start, next
		case b-a < 50e-9: // the logic gives no shorter pulse
			continue
		}
		if oneIn > 0 && float64(hash(p.opts.Seed, wordMissing, uint64(i), math.Float64bits(s.origin), math.Float64bits(k))>>11)/(1<<53) < 1/oneIn {
			continue
		}
		add(max(a, begin), min(b, end))
	}
}

// legDuty is where in the period the leg of channel src turns over, its own modulator's offset included.
func (p *Plant) legDuty(s *segment, src int, inverse bool, d float64) float64 {
	c := p.params.Bridge.Channels[src]
	more := s.view.legs[c.Leg].more
	if more == 0 {
		return d
	}
	if (c.Kind == "high") == inverse { // the high side of this leg has the rest of the period
		more = -more
	}
	return min(1, max(0, d+more))
}

// insert adds a span, joining it with those it touches.
func insert(spans []span, t span) []span {
	out := append(slices.Clone(spans), t)
	slices.SortFunc(out, func(a, b span) int {
		switch {
		case a.a < b.a:
			return -1
		case a.a > b.a:
			return 1
		}
		return 0
	})
	joined := out[:1]
	for _, s := range out[1:] {
		if l := &joined[len(joined)-1]; s.a <= l.b {
			l.b = max(l.b, s.b)
		} else {
			joined = append(joined, s)
		}
	}
	return joined
}

// piece is a stretch in which a gate goes to one level by one exponential.
type piece struct {
	t       float64
	level   float64 // V with the rails up
	tau     float64 // s
	on      bool
	ring    float64 // part of the swing
	sag     float64 // part of the level lost in time
	lockout float64 // part of the rails below which an on gate is let go
}

// drivenBy gives a gate's two levels and its edges in a segment.
type drivenBy struct {
	on, off          float64
	rise, fall       float64
	onLate, offLate  float64
	ring, sag        float64
	stuck            stuck
	floating, silent bool
}

func (p *Plant) drivenBy(i int, s *segment) drivenBy {
	c, e, u := p.params.Bridge.Channels[i], s.view.channels[i], &p.unit
	d := drivenBy{
		on: p.plus(i, s), stuck: e.stuck, ring: e.ring, sag: e.sag,
		onLate: u.delay[i] + e.onLate, offLate: u.delay[i] + e.offLate,
	}
	d.floating = c.Kind == "high" && s.floating && p.needsNode()
	if c.NegativeRail != "" && !e.noBias {
		d.off = s.view.rails[c.NegativeRail].level
	}
	if d.floating || e.noSupply || s.view.rails[c.Rail].lockedOut {
		d.silent = true
	}
	load := unloaded
	if s.loaded {
		load += u.gate[i]
	}
	d.on *= e.level
	tau := probeTau + (e.resistance+float64(p.params.Gate.Resistor))*load
	d.rise, d.fall = max(tau, e.riseTau), max(tau, e.fallTau)
	return d
}

// needsNode says whether the high sides' supplies stand on the switch nodes.
func (p *Plant) needsNode() bool {
	switch p.params.Gate.HighSideSupply {
	case "bootstrap", "charge_pump", "unknown":
		return true
	}
	return false
}

// plus is the supply of a channel's driver against the channel's own source, with the rails up.
func (p *Plant) plus(i int, s *segment) float64 {
	c := p.params.Bridge.Channels[i]
	v := s.view.rails[c.Rail].level
	if c.Kind != "high" {
		return v
	}
	switch {
	case s.floating && p.needsNode(), s.view.channels[i].noSupply:
		return 0
	case p.params.Gate.HighSideSupply == "bootstrap" || p.params.Gate.HighSideSupply == "unknown":
		return max(0, v-bootstrapDrop)
	}
	return v
}

// pieces describes the voltage of channel i's gate against its own source from before from until to. The first piece begins at
// or before from.
func (p *Plant) pieces(i int, from, to float64) []piece {
	lead := 2*p.unit.period + 20e-6
	out := make([]piece, 0, 16+int(2*min(1e6, (to-from)/p.unit.period)))
	for n := p.log.find(from - lead); n < len(p.log.segments) && (n == 0 || p.log.segments[n].t0 <= to); n++ {
		s := &p.log.segments[n]
		d := p.drivenBy(i, s)
		begin, end := s.t0, p.log.end(n)
		if n == 0 {
			begin = -forever
		}
		begin, end = max(begin, from-lead), min(end, to)
		out = p.driven(out, i, d, begin, end)
	}
	return out
}

// driven appends the pieces of one segment.
func (p *Plant) driven(out []piece, i int, d drivenBy, begin, end float64) []piece {
	off := piece{t: begin, level: d.off, tau: d.fall, ring: d.ring}
	on := piece{t: begin, level: d.on, tau: d.rise, ring: d.ring, sag: d.sag, on: true, lockout: 0.5}
	switch {
	case d.floating, d.stuck == dead:
		off.level = 0
		return push(out, off)
	case d.silent, d.stuck == stuckOff:
		return push(out, off)
	case d.stuck == stuckOn:
		return push(out, on)
	}
	out = push(out, off)
	for _, s := range p.spans(i, begin-d.onLate-d.offLate-1e-6, end) {
		a, b := s.a+d.onLate, s.b+d.offLate
		if b <= a || b <= begin || a >= end {
			continue
		}
		on.t, off.t = max(a, begin), b
		out = push(out, on)
		if b < end {
			out = push(out, off)
		}
	}
	return out
}

// push appends a piece, unless it says nothing new; of two at one instant the later counts.
func push(out []piece, x piece) []piece {
	if n := len(out); n > 0 && out[n-1].t >= x.t {
		out = out[:n-1]
	}
	if n := len(out); n > 0 && out[n-1].level == x.level && out[n-1].on == x.on && out[n-1].sag == x.sag {
		return out
	}
	return append(out, x)
}
