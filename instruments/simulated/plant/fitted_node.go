package plant

import "strings"

// nodes gives the voltages of all switch nodes of a fitted bridge against bus negative, at instants that only grow. Each leg is
// two conductances, the load a star, and whoever looks has a probe on one leg: upper is a probe from bus positive to it.
func (p *Plant) nodes(looked string, upper bool, from, to float64) func(t float64) []float64 {
	bus, at := cursor{c: &p.log.bus}, p.sightOf(from)
	bus.seek(from)
	legs := p.params.Bridge.Legs
	var gates []*gateCourse
	for i := range p.params.Bridge.Channels {
		gates = append(gates, p.gateCourse(i, from, to))
	}
	threshold := float64(p.params.Device.MinimumThreshold)
	in, out := p.turningLegs()
	current := p.loadCurrent(p.look(), in, out)
	free := p.around.load == "dummy" && abs(current) > 1e-3
	if current < 0 { // it comes back the other way
		in, out = out, in
	}
	return func(t float64) []float64 {
		v, vb := at(t).view, bus.at(t)
		n := len(legs)
		m, rhs := make([][]float64, n), make([]float64, n)
		pair := 0.0
		if r := p.branch(); r > 0 {
			pair = 1 / (float64(n) * max(r, 100)) // a coil holds its current, not its resistance's voltage
		}
		for k, leg := range legs {
			m[k] = make([]float64, n)
			up, down, drop := deviceLeak, deviceLeak, 0.0
			for i, c := range p.params.Bridge.Channels {
				if c.Leg != leg {
					continue
				}
				on := gates[i].at(t) > threshold
				if g := p.switchOf(v, c.Name, on); c.Kind == "high" {
					up = g
					if on {
						drop = v.sizeAt("phases_unequal", leg)
					}
				} else {
					down = g
				}
			}
			if p.standIns["switch_node_jumpers"] {
				down += 1e4 // a wire wins over any device
			}
			if leg == looked && upper {
				up += probeLeak
			} else if leg == looked {
				down += probeLeak
			}
			m[k][k], rhs[k] = up+down, up*max(0, vb-drop)
			// The coil's current goes on through a diode while neither device carries it.
			switch off := up < 1e-3 && down < 1e-3; {
			case off && free && k == in:
				m[k][k], rhs[k] = m[k][k]+20, rhs[k]-20*diodeDrop
			case off && free && k == out:
				m[k][k], rhs[k] = m[k][k]+20, rhs[k]+20*(vb+diodeDrop)
			}
		}
		for a := range n {
			for b := range a {
				g := pair
				if r := v.sizeAt("phase_leak", legs[b]+","+legs[a]); r > 0 {
					g += 1 / r
				}
				m[a][a], m[b][b] = m[a][a]+g, m[b][b]+g
				m[a][b], m[b][a] = m[a][b]-g, m[b][a]-g
			}
		}
		return eliminate(m, rhs)
	}
}

// eliminate is Gaussian elimination; a conductance matrix with leaks to ground needs no pivoting.
func eliminate(m [][]float64, rhs []float64) []float64 {
	n := len(rhs)
	for i := range n {
		for j := i + 1; j < n; j++ {
			f := m[j][i] / m[i][i]
			for k := i; k < n; k++ {
				m[j][k] -= f * m[i][k]
			}
			rhs[j] -= f * rhs[i]
		}
	}
	for i := n - 1; i >= 0; i-- {
		for k := i + 1; k < n; k++ {
			rhs[i] -= m[i][k] * rhs[k]
		}
		rhs[i] /= m[i][i]
	}
	return rhs
}

// fittedCourse is the course at a test point that only a fitted bridge has: phase:A against bus negative, upper:A from bus
// positive to the phase, sensor:A.
func (p *Plant) fittedCourse(kind, leg string, from, to float64) (*slowCourse, bool) {
	k := -1
	for i, name := range p.params.Bridge.Legs {
		if name == leg {
			k = i
		}
	}
	if k < 0 || !p.opts.Fitted {
		return nil, false
	}
	s := &slowCourse{cur: cursor{c: &p.log.bus}, scale: func(float64) float64 { return 0 }}
	s.cur.seek(from)
	switch kind {
	case "phase":
		nodes := p.nodes(leg, false, from, to)
		s.ripple = func(t float64) float64 { return nodes(t)[k] }
	case "upper":
		nodes := p.nodes(leg, true, from, to)
		s.scale = func(float64) float64 { return 1 }
		s.ripple = func(t float64) float64 { return -nodes(t)[k] }
	case "sensor":
		volts := p.sensor(leg)
		s.ripple = func(float64) float64 { return volts }
	case "current":
		s.ripple = func(float64) float64 { return 0 } // an ammeter drops next to nothing
	default:
		return nil, false
	}
	return s, true
}

// busRipple is what the chopped current leaves on the bus, across the capacitors' series resistance and the supply's lead beside it.
func (p *Plant) busRipple(from, to float64) func(t float64) float64 {
	in, out := p.turningLegs()
	i := p.loadCurrent(p.look(), in, out)
	if !p.opts.Fitted || i == 0 || p.around.load != "dummy" {
		return nil
	}
	esr, lead := p.look().esr, p.bus.net.series
	r, threshold := esr*lead/(esr+lead), float64(p.params.Device.MinimumThreshold)
	position := func(leg int, kind string) (*gateCourse, float64) {
		for n, c := range p.params.Bridge.Channels {
			if c.Leg == p.params.Bridge.Legs[leg] && c.Kind == kind {
				return p.gateCourse(n, from, to), p.onPart(p.log.last(), n)
			}
		}
		return nil, 0
	}
	up, part := position(in, "high")
	if up == nil {
		return nil
	}
	if p.params.Modulation.Kind != antiphase {
		return func(t float64) float64 {
			if up.at(t) > threshold {
				return -i * r * (1 - part)
			}
			return i * r * part
		}
	}
	// Both legs chop: the bus gives the current while it flows with the output, and takes it back in the rest of the period.
	if i < 0 {
		up, part = position(out, "high")
		i = -i
	}
	if up == nil {
		return nil
	}
	return func(t float64) float64 {
		if up.at(t) > threshold {
			return -2 * i * r * (1 - part)
		}
		return 2 * i * r * part
	}
}

func fittedPoints(legs []string) (out []string) {
	for _, kind := range []string{"upper:", "sensor:", "current:"} {
		for _, l := range legs {
			out = append(out, kind+l)
		}
	}
	return out
}

// pairOf orders a pair of legs as the drive names them.
func pairOf(legs []string, target string) string {
	a, b, _ := strings.Cut(target, ",")
	for _, l := range legs {
		if l == a {
			return a + "," + b
		}
		if l == b {
			return b + "," + a
		}
	}
	return target
}
