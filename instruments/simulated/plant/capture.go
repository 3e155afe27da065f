package plant

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"benchwarden/instruments/quantity"
)

// points lists the test points:
//
//	gate:A.high      a gate against its own source
//	negative:A.high  the same gate against bus negative, where a floating high side looks stuck on
//	driver:A.high    the supply of that gate's driver against the gate's own source
//	rail:logic       a rail at its test point
//	phase:A          a switch node against bus negative
//	input:enable     the drive's input of a permissive, or of inhibit
//	bus, control     the drive's terminals
func (p *Plant) points() []string {
	var out []string
	for _, kind := range []string{"gate:", "negative:", "driver:"} {
		for _, c := range p.params.Bridge.Channels {
			out = append(out, kind+c.Name)
		}
	}
	for _, r := range keys(p.params.Rails) {
		out = append(out, "rail:"+r)
	}
	for _, l := range p.params.Bridge.Legs {
		out = append(out, "phase:"+l)
	}
	if p.opts.Fitted {
		out = append(out, fittedPoints(p.params.Bridge.Legs)...)
	}
	return append(append(out, p.inputPoints()...), "bus", "control")
}

// course gives the voltage at a test point over a window.
func (p *Plant) course(point string, from, to float64) (course, error) {
	kind, name, _ := strings.Cut(point, ":")
	at := p.sightOf(from)
	slow := func(c *curve) *slowCourse {
		s := &slowCourse{cur: cursor{c: c}}
		s.cur.seek(from)
		return s
	}
	ofShape := func(rail string, scale func(s *segment) float64) *slowCourse {
		s := slow(&p.log.shape)
		s.scale = func(t float64) float64 { return scale(at(t)) }
		s.ripple, s.fine = p.rippleOn(rail, at, s.cur), noiseSlot
		return s
	}
	if s, ok := p.fittedCourse(kind, name, from, to); ok {
		return s, nil
	}
	channel := p.channel(name)
	switch {
	case kind == "bus" && name == "":
		s := slow(&p.log.bus)
		s.ripple = p.busRipple(from, to)
		return s, nil
	case kind == "control" && name == "":
		return slow(&p.log.control), nil
	case kind == "rail":
		if _, has := p.params.Rails[name]; has {
			return ofShape(name, func(s *segment) float64 { return s.view.rails[name].level }), nil
		}
	case kind == "driver" && channel >= 0:
		return ofShape(p.params.Bridge.Channels[channel].Rail, func(s *segment) float64 { return p.plus(channel, s) }), nil
	case kind == "gate" && channel >= 0:
		return p.gateCourse(channel, from, to), nil
	case kind == "input":
		if contact, ok := p.inputContact(name); ok {
			return slow(p.log.input(contact)), nil
		}
	case kind == "negative" && channel >= 0:
		g := p.gateCourse(channel, from, to)
		if c := p.params.Bridge.Channels[channel]; c.Kind == "high" {
			g.offset = p.node(c, at, from, to)
		}
		return g, nil
	case kind == "phase":
		for _, c := range p.params.Bridge.Channels {
			if c.Leg == name && c.Kind == "high" {
				s := slow(&p.log.bus)
				node := p.node(c, at, from, to)
				s.scale = func(float64) float64 { return 0 }
				s.ripple = node
				return s, nil
			}
		}
	}
	return nil, fmt.Errorf("no test point %q on this drive; there are %s", point, strings.Join(p.points(), ", "))
}

// node is the voltage of a high side's switch node against bus negative. Without devices it is at zero by its jumper, or floats
// up to where its driver's supply takes it. With devices fitted it goes
// where they and the load take it.
func (p *Plant) node(c Channel, at func(t float64) *segment, from, to float64) func(t float64) float64 {
	shape, bus := cursor{c: &p.log.shape}, cursor{c: &p.log.bus}
	shape.seek(from)
	bus.seek(from)
	if !p.opts.Fitted {
		return func(t float64) float64 {
			if s := at(t); s.floating && p.needsNode() {
				return max(0, s.view.rails[c.Rail].level-bootstrapDrop) * shape.at(t)
			}
			return 0
		}
	}
	nodes, leg := p.nodes(c.Leg, false, from, to), slices.Index(p.params.Bridge.Legs, c.Leg)
	return func(t float64) float64 { return nodes(t)[leg] }
}

// Capture gives n samples of the voltage at a test point, step seconds apart, from an instant of the last History on; the
// window should have passed. With peak, samples 2i and 2i+1 hold the lowest and the highest voltage of the time that the two of
// them cover. The same window gives the same samples. Probe and converter errors are the instrument's matter. Rails carry
// their ripple, gates do not.
func (p *Plant) Capture(point string, from time.Time, step quantity.Seconds, n int, peak bool) ([]float32, error) {
	if n < 0 || !(step > 0) {
		return nil, fmt.Errorf("%d samples %v apart make no capture", n, step)
	}
	p.enter()
	defer p.mu.Unlock()
	return p.sample(point, p.seconds(from), float64(step), n, peak)
}

func (p *Plant) sample(point string, from, step float64, n int, peak bool) ([]float32, error) {
	to := from + float64(n)*step
	c, err := p.course(point, from, to)
	if err != nil {
		return nil, err
	}
	out := make([]float32, n)
	if peak {
		extremes(out, c, from, step)
		return out, nil
	}
	if g, ok := c.(*gateCourse); ok && g.plain() {
		g.fill(out, from, step)
		return out, nil
	}
	for i := range out {
		out[i] = float32(c.at(from + float64(i)*step))
	}
	return out, nil
}

// extremes writes lowest and highest voltage of each pair of samples.
func extremes(out []float32, c course, from, step float64) {
	knots := c.knots()
	k := sort.SearchFloat64s(knots, from)
	const looks = 16
	for i := 0; i+1 < len(out); i += 2 {
		a := from + float64(i)*step
		b := a + 2*step
		low, high := math.Inf(1), math.Inf(-1)
		see := func(t float64) {
			v := c.at(t)
			low, high = min(low, v), max(high, v)
		}
		see(a)
		if f := c.finest(); f > 0 {
			for j := 1; j < looks; j++ {
				see(a + (b-a)*float64(j)/looks)
			}
			for k < len(knots) && knots[k] < b {
				k++
			}
		} else {
			for ; k < len(knots) && knots[k] < b; k++ {
				see(knots[k])
			}
		}
		see(b)
		out[i], out[i+1] = float32(low), float32(high)
	}
	if n := len(out); n%2 == 1 {
		out[n-1] = float32(c.at(from + float64(n-1)*step))
	}
}

// Edge is the way a voltage crosses a trigger level.
type Edge string

// The edges.
const (
	Rising  Edge = "rising"
	Falling Edge = "falling"
	Either  Edge = "either"
)

// FindTrigger gives the first instant after from and before to (or now, if that is earlier) at which the voltage at a test point
// crosses level. The ripple of rails is not looked at.
func (p *Plant) FindTrigger(point string, level quantity.Volts, e Edge, from, to time.Time) (at time.Time, found bool, err error) {
	p.enter()
	defer p.mu.Unlock()
	a, b := p.seconds(from), min(p.seconds(to), p.now)
	const stretch = 0.05
	for {
		end := max(a, min(b, a+stretch))
		t, found, err := p.trigger(point, float64(level), e, a, end)
		if err != nil || found {
			return p.instant(t), found, err
		}
		if end >= b {
			return time.Time{}, false, nil
		}
		a = end
	}
}

// trigger looks for the crossing from a to b.
func (p *Plant) trigger(point string, level float64, e Edge, a, b float64) (float64, bool, error) {
	smooth := func(a, b float64) (course, error) {
		c, err := p.course(point, a, b)
		if s, ok := c.(*slowCourse); ok && s.fine > 0 {
			s.ripple = nil
		}
		return c, err
	}
	c, err := smooth(a, b)
	if err != nil {
		return 0, false, err
	}
	knots := c.knots()
	t0, v0 := a, c.at(a)
	for i := sort.SearchFloat64s(knots, a); ; i++ {
		t1 := b
		if i < len(knots) {
			t1 = min(b, knots[i])
		}
		v1 := c.at(t1)
		up, down := v0 < level && v1 >= level, v0 > level && v1 <= level
		if up && e != Falling || down && e != Rising {
			again := func(t float64) float64 { // a second look, since courses only go forward
				c, _ := smooth(t0, t)
				return c.at(t)
			}
			return crossing(again, t0, t1, level, up), true, nil
		}
		if t1 >= b {
			return 0, false, nil
		}
		t0, v0 = t1, v1
	}
}

// crossing halves the stretch until the instant is known to a tenth of a nanosecond.
func crossing(at func(t float64) float64, a, b, level float64, up bool) float64 {
	for b-a > 1e-10 {
		m := (a + b) / 2
		if (at(m) >= level) == up {
			b = m
		} else {
			a = m
		}
	}
	return b
}

// Point is what a d.c. meter reads at a test point: the mean of the last 20 ms, without the meter's own error.
func (p *Plant) Point(name string) (quantity.Volts, error) {
	p.enter()
	defer p.mu.Unlock()
	const n, step = 2003, 9.987e-6 // no part of any chopping period
	samples, err := p.sample(name, p.now-n*step, step, n, false)
	if err != nil {
		return 0, err
	}
	sum := 0.0
	for _, v := range samples {
		sum += float64(v)
	}
	return quantity.Volts(sum / n), nil
}

// Rail is what a d.c. meter reads at a rail's test point.
func (p *Plant) Rail(name string) (quantity.Volts, error) { return p.Point("rail:" + name) }
