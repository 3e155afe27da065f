package plant

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"benchwarden/instruments/quantity"
)

// Source is a port of the plant: the bipolar source at the drive's reference input, -10 to 10 V.
type Source struct{ p *Plant }

// LineState is how one Hall line is driven.
type LineState string

// The states of a Hall line: driven to its bit, left open (the drive pulls it up), shorted to common.
const (
	Driven LineState = "driven"
	Open   LineState = "open"
	Short  LineState = "short"
)

// Hall is a port of the plant: the source in place of the motor's Hall sensors.
type Hall struct{ p *Plant }

// Contact is a port of the plant: one output contact of the bench.
type Contact struct {
	p    *Plant
	name string
}

// Set closes or opens the contact.
func (c *Contact) Set(closed bool) { c.p.do(func() { c.p.switchContact(c.name, closed) }) }

// Closed says how the contact stands.
func (c *Contact) Closed() bool {
	c.p.enter()
	defer c.p.mu.Unlock()
	return c.p.contacts[c.name]
}

// Place puts a probe (P1, M1) on a test point. An unknown test point is refused with those there are.
func (p *Plant) Place(probe, point string) error {
	p.enter()
	defer p.mu.Unlock()
	if high, low, two := strings.Cut(point, "|"); two {
		if n := p.coldNetwork().names; !slices.Contains(n, high) || !slices.Contains(n, low) {
			return fmt.Errorf("no such pair of points %q on this drive; there are %s", point, strings.Join(n, ", "))
		}
	} else if !p.opts.Fitted && slices.Contains(fittedPoints(p.params.Bridge.Legs), point) {
		return fmt.Errorf("no test point %q while its power devices are out: this needs a simulated bench whose drive has them fitted", point)
	} else if !slices.Contains(p.points(), point) {
		return fmt.Errorf("no test point %q on this drive; there are %s", point, strings.Join(p.points(), ", "))
	}
	p.probes[probe] = point
	return nil
}

// PointOf is the test point a probe is on, empty when it hangs free.
func (p *Plant) PointOf(probe string) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.probes[probe]
}

// Points lists the drive's test points.
func (p *Plant) Points() []string { return p.points() }

// Fit fits a stand-in, all pieces of it; Remove takes it out.
func (p *Plant) Fit(standIn string) error { return p.setStandIn(standIn, true) }

// Remove takes a stand-in out, all pieces of it.
func (p *Plant) Remove(standIn string) error { return p.setStandIn(standIn, false) }

func (p *Plant) setStandIn(name string, fitted bool) error {
	if err := p.knowStandIn(name); err != nil {
		return err
	}
	p.do(func() {
		if fitted || !p.faulty("stand_in_left", name) {
			p.standIns[name] = fitted
		}
	})
	return nil
}

// StandIns lists what is fitted now.
func (p *Plant) StandIns() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	var names []string
	for name, fitted := range p.standIns {
		if fitted {
			names = append(names, name)
		}
	}
	sort.Strings(names)
	return names
}

func (p *Plant) knowStandIn(name string) error {
	var names []string
	for _, s := range p.params.StandIns {
		if s.Name == name {
			return nil
		}
		names = append(names, s.Name)
	}
	return fmt.Errorf("no stand-in %q for this drive; there are %s", name, strings.Join(names, ", "))
}

// SetOutput switches the source on; off, the input sees 0 V.
func (r *Source) SetOutput(on bool) {
	r.p.do(func() { r.p.reference.set(r.p.now, on, r.p.reference.volts) })
}

// SetVoltage sets the reference, clamped to -10 to 10 V; the output gets there in a few milliseconds.
func (r *Source) SetVoltage(v quantity.Volts) {
	r.p.do(func() { r.p.reference.set(r.p.now, r.p.reference.on, min(max(-10, float64(v)), 10)) })
}

// Read reads the source back.
func (r *Source) Read() Reading {
	r.p.enter()
	defer r.p.mu.Unlock()
	return r.p.reference.read(r.p.now)
}
