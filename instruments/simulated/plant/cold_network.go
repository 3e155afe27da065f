package plant

import (
	"math"
	"slices"
)

// coldNetwork is the drive's power section without energy: resistances and diodes between the points that leads can reach.
type coldNetwork struct {
	names     []string
	resistors []resistance
	diodes    []junction
}

type resistance struct {
	a, b    int
	siemens float64
}

// junction conducts from a to b with a drop at 1 mA.
type junction struct {
	a, b int
	drop float64
}

// emission is a junction's slope: it drops so much less at an e-th of the current (an emission coefficient of 1.5 at 25 degC).
const emission = 1.5 * 0.0257

// strayConductance ties together what nothing else does, S.
const strayConductance = 1e-10

func (n *coldNetwork) at(name string) int {
	i := slices.Index(n.names, name)
	if i < 0 {
		n.names = append(n.names, name)
		return len(n.names) - 1
	}
	return i
}

func (n *coldNetwork) ohms(a, b string, r float64) {
	n.resistors = append(n.resistors, resistance{n.at(a), n.at(b), 1 / r})
}

func (n *coldNetwork) diode(from, to string, drop float64) {
	n.diodes = append(n.diodes, junction{n.at(from), n.at(to), drop})
}

// coldNetwork builds the network of this unit with its faults.
func (p *Plant) coldNetwork() *coldNetwork {
	n := &coldNetwork{}
	v := p.look()
	cold := p.params.Cold
	own := func(name string, of float64) float64 { return of * evenly(hash(p.opts.Seed, word("cold "+name))) }
	n.ohms(nodePlus, nodeMinus, 1/max(v.bleeder, 1e-7))
	p.coldBus(n, v, own)
	for i, c := range p.params.Bridge.Channels {
		p.coldChannel(n, v, c, own)
		if p.charged[i] {
			drain, source := p.across(c)
			n.ohms(drain, source, 0.01)
		}
	}
	for _, name := range keys(p.params.Rails) {
		load := railLoad
		if p.railReturn(name) == p.common() {
			load = logicLoad
		}
		n.ohms("rail:"+name, p.railReturn(name), float64(load)*(1+own("rail "+name, 0.05)))
	}
	if p.common() != nodeMinus {
		n.ohms(nodeCommon, nodeMinus, isolates)
	}
	n.ohms(nodeMinus, nodeChassis, insulates)
	for _, line := range cold.Lines {
		drop := orElse(float64(cold.LineDrop), 0.45) + own("line "+line, 0.01)
		p.rectifier(n, v, "line:"+line, nodeFeed, line+".plus", drop)
		p.rectifier(n, v, nodeMinus, "line:"+line, line+".minus", drop)
	}
	return n
}

func (p *Plant) rectifier(n *coldNetwork, v *view, from, to, name string, drop float64) {
	switch {
	case v.has("rectifier_shorted", name):
		n.ohms(from, to, shortedOhms)
	case v.has("rectifier_open", name):
		n.ohms(from, to, offOhms)
	default:
		n.diode(from, to, drop)
	}
}

func (p *Plant) coldBus(n *coldNetwork, v *view, own func(string, float64) float64) {
	fuse := fuseOhms
	if v.fuseOpen {
		fuse = offOhms
	}
	behind := nodePlus
	if soft := float64(p.params.Bus.SoftCharge); soft > 0 {
		behind = nodeCharge
		switch {
		case v.has("relay_welded", ""):
			soft = relayOhms
		case v.has("soft_charge_open", ""):
			soft = offOhms
		default:
			soft *= 1 + own("soft charge", 0.03)
		}
		n.ohms(nodeCharge, nodePlus, soft)
	}
	n.ohms(nodeFeed, behind, fuse)
	short := v.conductance // of a short or a brake chopper on the bus
	if v.has("bus_capacitor_shorted", "") {
		short += 1 / max(1e-3, v.size("bus_capacitor_shorted", 0))
	}
	if v.has("bus_capacitor_leaky", "") {
		short += 1 / max(1e-3, v.size("bus_capacitor_leaky", 0))
	}
	balance := float64(p.params.Cold.Balance)
	if balance == 0 {
		n.ohms(nodePlus, nodeMinus, 1/(short+1/capacitorLeaks))
		return
	}
	chopper := v.conductance
	n.ohms(nodePlus, nodeMinus, 1/(chopper+1/capacitorLeaks))
	upper := 1/(balance*(1+own("upper balance", 0.01))) + short - chopper
	lower := 1 / (balance * (1 + own("lower balance", 0.01)) * v.size("midpoint_off", 1))
	n.ohms(nodePlus, nodeMid, 1/upper)
	n.ohms(nodeMid, nodeMinus, 1/lower)
}

// coldChannel is one gate channel from its driver's output to its device.
func (p *Plant) coldChannel(n *coldNetwork, v *view, c Channel, own func(string, float64) float64) {
	drain, source := p.across(c)
	gate, out := "gate:"+c.Name, "output:"+c.Name
	sized := func(name string) (float64, bool) {
		for _, f := range v.active {
			if f.Name == name && f.Target == c.Name {
				return f.Size, true
			}
		}
		return 0, false
	}
	resistor := orElse(float64(p.params.Gate.Resistor), 10) * (1 + own("gate resistor "+c.Name, 0.01))
	if part, ok := sized("gate_resistor_wrong"); ok {
		resistor *= part
	}
	if part, ok := sized("gate_resistor_high"); ok {
		resistor *= part
	}
	if v.has("gate_resistor_open", c.Name) {
		resistor = offOhms
	}
	n.ohms(out, gate, resistor)
	driver := driverOff * (1 + own("driver off "+c.Name, 0.03))
	if ohms, ok := sized("driver_output_shorted"); ok {
		driver = max(1e-3, ohms)
	}
	n.ohms(out, source, driver)
	if !v.has("gate_source_resistor_open", c.Name) {
		n.ohms(gate, source, orElse(float64(p.params.Cold.GateSource), 10e3)*(1+own("gate source "+c.Name, 0.01)))
	}
	for _, clamp := range []string{"gate_clamp_shorted", "gate_clamp_leaky"} {
		if ohms, ok := sized(clamp); ok {
			n.ohms(gate, source, max(1e-3, ohms))
		}
	}
	if ohms, ok := sized("insulation_pierced"); ok {
		n.ohms(drain, nodeChassis, max(1e-3, ohms))
	}
	if !p.fittedCold() {
		return
	}
	drop := orElse(float64(p.params.Cold.Drop), 0.45) + own("drop "+c.Name, 0.008)
	if more, ok := sized("device_of_another_type"); ok {
		drop += more
	}
	n.diode(source, drain, drop)
	n.ohms(drain, source, offOhms)
	n.ohms(gate, drain, gateDrainDevice)
	all := v.has("device_shorted_all", c.Name)
	if all || v.has("device_shorted", c.Name) {
		n.ohms(drain, source, shortedOhms)
	}
	if all || v.has("device_gate_source_shorted", c.Name) {
		n.ohms(gate, source, 2*shortedOhms)
	}
	if all || v.has("device_gate_drain_shorted", c.Name) {
		n.ohms(gate, drain, 2*shortedOhms)
	}
	if ohms, ok := sized("device_leaky"); ok {
		n.ohms(drain, source, max(1e-3, ohms))
	}
}

func orElse(x, other float64) float64 {
	if x == 0 {
		return other
	}
	return x
}

// volts is the voltage between a and b when a current flows in at a and out at b. Newton's method on the junctions' exponentials,
// each step held back where a junction's current would explode.
func (n *coldNetwork) volts(a, b int, current float64) float64 {
	if a == b {
		return 0
	}
	size := len(n.names)
	held := make([]float64, len(n.diodes)) // voltage at which each junction is linearised
	var v []float64
	for range 300 {
		g := make([][]float64, size)
		for i := range g {
			g[i] = make([]float64, size+1)
			g[i][i] = strayConductance
		}
		stamp := func(i, j int, s, source float64) {
			g[i][i] += s
			g[j][j] += s
			g[i][j] -= s
			g[j][i] -= s
			g[i][size] -= source
			g[j][size] += source
		}
		for _, r := range n.resistors {
			stamp(r.a, r.b, r.siemens, 0)
		}
		for k, d := range n.diodes {
			saturation := 1e-3 * math.Exp(-d.drop/emission)
			e := saturation * math.Exp(held[k]/emission)
			slope := e / emission
			stamp(d.a, d.b, slope, e-saturation-slope*held[k])
		}
		g[a][size] += current
		g[b][size] -= current
		v = solve(g)
		moved := 0.0
		for k, d := range n.diodes {
			next := n.limited(v[d.a]-v[d.b], held[k], d)
			moved = max(moved, math.Abs(next-held[k]))
			held[k] = next
		}
		if moved < 1e-9 {
			break
		}
	}
	return v[a] - v[b]
}

// limited keeps a junction's voltage from running away between two steps.
func (n *coldNetwork) limited(to, from float64, d junction) float64 {
	knee := d.drop - 4*emission
	if to <= knee || math.Abs(to-from) <= 2*emission {
		return max(to, -20) // far in reverse nothing changes any more
	}
	if from > knee {
		if grown := 1 + (to-from)/emission; grown > 0 {
			return from + emission*math.Log(grown)
		}
		return knee
	}
	return knee + emission*math.Log(1+(to-knee)/emission)
}

// solve is Gauss's elimination with pivots; the last column is the right side.
func solve(g [][]float64) []float64 {
	size := len(g)
	for c := range size {
		best := c
		for r := c + 1; r < size; r++ {
			if math.Abs(g[r][c]) > math.Abs(g[best][c]) {
				best = r
			}
		}
		g[c], g[best] = g[best], g[c]
		for r := c + 1; r < size; r++ {
			f := g[r][c] / g[c][c]
			if f == 0 {
				continue
			}
			for k := c; k <= size; k++ {
				g[r][k] -= f * g[c][k]
			}
		}
	}
	x := make([]float64, size)
	for r := size - 1; r >= 0; r-- {
		x[r] = g[r][size]
		for c := r + 1; c < size; c++ {
			x[r] -= g[r][c] * x[c]
		}
		x[r] /= g[r][r]
	}
	return x
}
