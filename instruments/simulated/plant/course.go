package plant

import (
	"math"
	"sort"
)

// course is the voltage at a test point over a window of time.
type course interface {
	// at is the voltage at an instant; instants only grow from call to call.
	at(t float64) float64
	// knots are the instants between which the voltage goes one way; ripple is left out.
	knots() []float64
	// finest is the time within which ripple does what it can; 0: there is none.
	finest() float64
}

// ringing after an edge: its period in time constants of the edge, and the shortest.
const (
	ringPeriods = 8
	ringFastest = 80e-9
	ringDelay   = 3 // time constants from edge to ringing
)

// gateCourse is the voltage of a gate.
type gateCourse struct {
	pieces  []piece
	shape   cursor
	varying bool    // the rails move within the window
	level   float64 // of the rails when they do not
	sagTau  float64
	offset  func(t float64) float64 // nil, or what is added

	i  int     // piece in force
	v0 float64 // voltage at its begin
	to float64
}

func (p *Plant) gateCourse(i int, from, to float64) *gateCourse {
	g := &gateCourse{pieces: p.pieces(i, from, to), shape: cursor{c: &p.log.shape}, sagTau: p.unit.period / 4, to: to}
	lead := from
	if len(g.pieces) > 0 {
		lead = max(g.pieces[0].t, from-1)
	}
	level, steady := p.log.shape.level(lead, to)
	g.level, g.varying = level, !steady
	g.shape.seek(lead)
	g.v0 = g.goal(&g.pieces[0], max(g.pieces[0].t, lead))
	return g
}

// goal is where a piece takes the gate at t.
func (g *gateCourse) goal(x *piece, t float64) float64 {
	shape := g.level
	if g.varying {
		shape = g.shape.at(t)
	}
	if shape < x.lockout {
		return 0
	}
	return x.level * shape
}

// within is the voltage at t, which lies in the piece in force.
func (g *gateCourse) within(t float64) float64 {
	x := &g.pieces[g.i]
	dt, goal := t-x.t, g.goal(x, t)
	v, swing := goal, g.v0-goal
	if x.sag > 0 {
		v *= 1 - x.sag*(1-math.Exp(-dt/g.sagTau))
	}
	if dt < 16*x.tau {
		v += swing * math.Exp(-dt/x.tau)
	}
	if x.ring > 0 {
		v += x.ringing(dt, -swing)
	}
	return v
}

func (x *piece) ringing(dt, swing float64) float64 {
	period := max(ringFastest, ringPeriods*x.tau)
	if dt -= ringDelay * x.tau; dt < 0 || dt > 20*period {
		return 0
	}
	return x.ring * swing * 1.25 * math.Sin(2*math.Pi*dt/period) * math.Exp(-dt/(2*period))
}

func (g *gateCourse) at(t float64) float64 {
	for g.i+1 < len(g.pieces) && g.pieces[g.i+1].t <= t {
		v := g.within(g.pieces[g.i+1].t)
		g.i++
		g.v0 = v
	}
	v := g.within(t)
	if g.offset != nil {
		v += g.offset(t)
	}
	return v
}

func (g *gateCourse) knots() []float64 {
	out := make([]float64, 0, len(g.pieces))
	for _, x := range g.pieces {
		out = append(out, x.t)
		if x.ring > 0 {
			period := max(ringFastest, ringPeriods*x.tau)
			for q := range 4 {
				out = append(out, x.t+ringDelay*x.tau+(float64(q)/2+0.25)*period)
			}
		}
	}
	if g.varying {
		out = append(out, g.shape.c.t...)
	}
	if !sort.Float64sAreSorted(out) {
		sort.Float64s(out)
	}
	return out
}

func (g *gateCourse) finest() float64 { return 0 }

// plain says whether fill may be used: nothing but exponentials between standing levels.
func (g *gateCourse) plain() bool {
	if g.varying || g.offset != nil {
		return false
	}
	for i := range g.pieces {
		if g.pieces[i].ring > 0 || g.pieces[i].sag > 0 {
			return false
		}
	}
	return true
}

// fill writes the samples of a plain gate.
func (g *gateCourse) fill(out []float32, from, step float64) {
	n := len(out)
	for j := 0; j < n; {
		t := from + float64(j)*step
		v := g.at(t)
		x := &g.pieces[g.i]
		end := n
		if g.i+1 < len(g.pieces) {
			end = min(n, max(j+1, int(math.Ceil((g.pieces[g.i+1].t-from)/step))))
		}
		goal := g.goal(x, t)
		curved := min(end, int(math.Ceil((x.t+16*x.tau-from)/step)))
		rest, factor := v-goal, math.Exp(-step/x.tau)
		for ; j < curved; j++ {
			out[j] = float32(goal + rest)
			rest *= factor
		}
		still := float32(goal)
		for k := j; k < end; k++ {
			out[k] = still
		}
		j = end
	}
}

// slowCourse is the voltage of a supply, a rail or a driver's supply: a logged curve times a level, with ripple.
type slowCourse struct {
	cur    cursor
	scale  func(t float64) float64 // nil: 1
	ripple func(t float64) float64 // nil: none
	fine   float64
}

func (s *slowCourse) at(t float64) float64 {
	v := s.cur.at(t)
	if s.scale != nil {
		v *= s.scale(t)
	}
	if s.ripple != nil {
		v += s.ripple(t)
	}
	return v
}

func (s *slowCourse) knots() []float64 { return s.cur.c.t }
func (s *slowCourse) finest() float64  { return s.fine }

// sightOf gives the segment in force, for instants that only grow.
func (p *Plant) sightOf(from float64) func(t float64) *segment {
	i := p.log.find(from)
	return func(t float64) *segment {
		for i+1 < len(p.log.segments) && p.log.segments[i+1].t0 <= t {
			i++
		}
		return &p.log.segments[i]
	}
}

// Ripple of rails: the converter's own sawtooth, the dried capacitor's at its own frequency and fading, noise in slots.
const (
	sawtooth  = 65e3   // Hz
	dried     = 100e3  // Hz
	warmsIn   = 45.0   // s
	noiseSlot = 250e-9 // s
)

func (p *Plant) rippleOn(rail string, at func(t float64) *segment, shape cursor) func(t float64) float64 {
	name := word("rail " + rail)
	return func(t float64) float64 {
		s := at(t)
		r := s.view.rails[rail]
		up := shape.at(t)
		if up == 0 || r.level == 0 {
			return 0
		}
		_, phase := math.Modf(abs(t) * sawtooth)
		v := (phase - 0.5) * r.ripple
		if r.cold > 0 {
			v += r.cold / 2 * math.Sin(2*math.Pi*dried*t) * math.Exp(-max(0, t-s.since)/warmsIn)
		}
		if r.noise > 0 {
			v += r.noise / 2 * evenly(hash(p.opts.Seed, name, uint64(int64(math.Floor(t/noiseSlot)))))
		}
		return v * up
	}
}
