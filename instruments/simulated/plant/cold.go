package plant

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"benchwarden/instruments/quantity"
)

// Cold are the figures of a drive that is not energised, as a meter's test current finds them.
type Cold struct {
	GateSource quantity.Ohms  // resistor from gate to source; 0: 10 kohm
	Drop       quantity.Volts // of a device's own or free-wheeling diode at 1 mA; 0: 0.45 V
	Lines      []string       // mains inputs of the rectifier; none: the drive has none
	LineDrop   quantity.Volts // of a rectifier diode at 1 mA; 0: 0.45 V
	Balance    quantity.Ohms  // across each half of the bus capacitors; 0: they have no midpoint
}

// Figures of the cold model that no family states (practice).
const (
	shortedOhms     = 0.05  // a device that has failed
	driverOff       = 47e3  // a driver's output to its own common, without supply
	railLoad        = 2200  // what hangs on a driver's rail
	logicLoad       = 680   // what hangs on a logic rail
	capacitorLeaks  = 2e6   // a good capacitor after the meter has charged it
	insulates       = 500e6 // bus negative to chassis
	isolates        = 50e6  // control common to bus negative
	fuseOhms        = 0.02
	relayOhms       = 0.03  // a relay's closed contact
	offOhms         = 200e6 // a good device, drain to source
	holdsCharge     = 1e6   // a gate that less than this discharges keeps no charge
	gateDrainDevice = 1e9
)

// Names of the nodes that a meter's leads can be put on, beside "phase:A", "gate:A.high", "output:A.high" (a driver's output in front of
// the gate resistor), "rail:logic" and "line:L1".
const (
	nodePlus    = "bus+"
	nodeMinus   = "bus-"
	nodeMid     = "mid"
	nodeFeed    = "feed+"   // the bus terminal, in front of the bus fuse
	nodeCharge  = "charge+" // between bus fuse and soft-charge resistor, where there is one
	nodeChassis = "chassis"
	nodeCommon  = "common" // of the control section
)

// ColdPoints lists where a meter's leads can be put while the drive is not energised.
func (p *Plant) ColdPoints() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.coldNetwork().names
}

// Ohms is what an ohmmeter reads with its positive lead on high and the other on low; +Inf is past its highest range. A drive that is
// energised gives no reading.
func (p *Plant) Ohms(high, low string) (quantity.Ohms, error) {
	var read float64
	err := p.betweenLeads(high, low, func(n *coldNetwork, a, b int) {
		for _, r := range ohmRanges {
			volts := n.volts(a, b, r.current)
			p.charge(high, low, min(volts, r.most))
			if volts <= r.most {
				read = volts / r.current
				return
			}
		}
		read = math.Inf(1)
	})
	return quantity.Ohms(read), err
}

// ohmRanges are the test current and the highest voltage of a bench meter's ranges (practice).
var ohmRanges = []struct{ current, most float64 }{
	{1e-3, 1.2}, {1e-4, 1.2}, {1e-5, 1.2}, {5e-6, 6}, {5e-7, 6}, {5e-8, 5.5},
}

// Test current and highest voltage of the diode test (practice).
const (
	diodeCurrent = 1e-3
	diodeMost    = 3.0
)

// Drop is the forward voltage that a meter's diode test reads; +Inf is open.
func (p *Plant) Drop(high, low string) (quantity.Volts, error) {
	var read float64
	err := p.betweenLeads(high, low, func(n *coldNetwork, a, b int) {
		if read = n.volts(a, b, diodeCurrent); read > diodeMost {
			read = math.Inf(1)
		}
		p.charge(high, low, min(read, diodeMost))
	})
	return quantity.Volts(read), err
}

// Join shorts two points with a wire for a moment: a gate loses its charge.
func (p *Plant) Join(a, b string) error {
	return p.betweenLeads(a, b, func(*coldNetwork, int, int) {
		for i, c := range p.params.Bridge.Channels {
			if _, source := p.across(c); touches(a, b, "gate:"+c.Name, source) {
				delete(p.charged, i)
			}
		}
	})
}

func touches(a, b, one, other string) bool { return a == one && b == other || a == other && b == one }

func (p *Plant) betweenLeads(high, low string, read func(n *coldNetwork, a, b int)) error {
	p.enter()
	defer p.mu.Unlock()
	n := p.coldNetwork()
	a, b := slices.Index(n.names, high), slices.Index(n.names, low)
	switch {
	case a < 0 || b < 0:
		return fmt.Errorf("no such pair of points %q and %q on this drive; there are %s", high, low, strings.Join(n.names, ", "))
	case p.bus.net.vb > 1 || p.section.on:
		return fmt.Errorf("the drive is energised (bus %.3g V): no resistance can be read", p.bus.net.vb)
	case a == b:
		a, b = 0, 0
	}
	read(n, a, b)
	return nil
}

// charge keeps a device on whose gate the meter has charged and nothing discharges.
func (p *Plant) charge(high, low string, volts float64) {
	for i, c := range p.params.Bridge.Channels {
		if _, source := p.across(c); high == "gate:"+c.Name && low == source {
			kept := p.coldNetwork().volts(p.coldNetwork().at(high), p.coldNetwork().at(low), 1e-6)/1e-6 > holdsCharge
			if kept && volts > float64(p.params.Device.MinimumThreshold) {
				p.charged[i] = true
			} else {
				delete(p.charged, i)
			}
		}
	}
}

// across names the drain and the source of a channel's device.
func (p *Plant) across(c Channel) (drain, source string) {
	switch {
	case c.Leg == "":
		return nodePlus, nodeMinus
	case c.Kind == "high":
		return nodePlus, "phase:" + c.Leg
	}
	return "phase:" + c.Leg, nodeMinus
}

// fittedCold says whether the power devices are in the drive: those that it came with are, until the first stand-in is fitted.
func (p *Plant) fittedCold() bool { return p.opts.Fitted || len(p.standIns) == 0 }

// railReturn is what a rail is measured against.
func (p *Plant) railReturn(name string) string {
	back := ""
	for _, c := range p.params.Bridge.Channels {
		if c.Rail != name && c.NegativeRail != name {
			continue
		}
		_, source := p.across(c)
		if back != "" && back != source {
			return nodeMinus
		}
		back = source
	}
	if back == "" {
		return p.common()
	}
	return back
}

// common is the node of the control common: bus negative where the control section hangs on the bus.
func (p *Plant) common() string {
	if p.params.Control.Feed == "from_bus" {
		return nodeMinus
	}
	return nodeCommon
}
