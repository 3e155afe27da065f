package plant

import "math"

// network is what hangs on a supply's output: lead and soft-charge resistance to a node with its capacitor and loads.
//
//	supply --+-- series --+-- node (the drive's terminals)
//	        Co            |-- esr -- C
//	         |            |-- loads
//	common --+------------+
//
// Between two steps the loads are a conductance and a constant current, so that the two capacitor voltages follow a linear
// equation with an exact solution; a step may be as long as that holds.
type network struct {
	co     float64 // supply's output capacitance, F
	series float64 // Ω
	cut    bool    // nothing flows between supply and node
	c, esr float64 // drive's capacitor, F and Ω

	vo, vc float64 // capacitor voltages
	vb     float64 // at the node
	io     float64 // from supply to node, A
}

// leak is the conductance that no bench is without; it keeps the equations regular.
const leak = 1e-8

// load is what the node feeds: a conductance (S) and a constant current (A).
type load struct{ g, i float64 }

// settle computes node voltage and current for the present capacitor voltages.
func (n *network) settle(l load) {
	g1, ge := n.conductances()
	n.vb = (g1*n.vo + ge*n.vc - l.i) / (g1 + ge + l.g + leak)
	n.io = g1 * (n.vo - n.vb)
}

func (n *network) conductances() (g1, ge float64) {
	if !n.cut {
		g1 = 1 / n.series
	}
	return g1, 1 / n.esr
}

// driven brings the network h seconds on while the supply's regulator gives the current is. Nothing is pulled below zero.
func (n *network) driven(h, is float64, l load) {
	g1, ge := n.conductances()
	s := g1 + ge + l.g + leak
	// vo' = a vo + b vc + p, vc' = c vo + d vc + q
	a, b := -(g1*(1-g1/s)+leak)/n.co, g1*ge/s/n.co
	c, d := ge*g1/s/n.c, -ge*(1-ge/s)/n.c
	p, q := (is-g1*l.i/s)/n.co, -ge*l.i/s/n.c
	det := a*d - b*c
	mean := (a + d) / 2
	root := math.Sqrt(max(0, mean*mean-det))
	fast := mean - root // both negative
	slow := det / fast
	xo, xc := (b*q-d*p)/det, (c*p-a*q)/det // where it would end
	eo, ec := n.vo-xo, n.vc-xc
	var m00, m01, m10, m11 float64
	if slow-fast < 1e-9*-fast {
		e := math.Exp(mean * h)
		m00, m01, m10, m11 = e*(1+(a-mean)*h), e*b*h, e*c*h, e*(1+(d-mean)*h)
	} else {
		es, ef := math.Exp(slow*h), math.Exp(fast*h)
		w := slow - fast
		m00, m01 = (es*(a-fast)-ef*(a-slow))/w, (es-ef)*b/w
		m10, m11 = (es-ef)*c/w, (es*(d-fast)-ef*(d-slow))/w
	}
	n.vo = max(0, xo+m00*eo+m01*ec)
	n.vc = max(0, xc+m10*eo+m11*ec)
	n.settle(l)
}

// held brings the network h seconds on while the supply holds its output on a straight line to v, and returns the largest and the
// smallest current its regulator needs for that.
func (n *network) held(h, v float64, l load) (most, least float64) {
	g1, ge := n.conductances()
	s := g1 + ge + l.g + leak
	slope := (v - n.vo) / h
	n.settle(l)
	before := n.co*slope + n.io
	rate := ge * (1 - ge/s) / n.c
	k := ge / s / n.c
	q := k * g1 * slope / rate
	p := (k*(g1*n.vo-l.i) - q) / rate
	n.vc = max(0, p+q*h+(n.vc-p)*math.Exp(-rate*h))
	n.vo = v
	n.settle(l)
	after := n.co*slope + n.io
	return max(before, after), min(before, after)
}
