package plant

// contactChange is how a contact of the bench stood before it was last told something, and when that was.
type contactChange struct {
	at     float64
	before bool
}

// switchContact closes or opens a contact of the bench.
func (p *Plant) switchContact(name string, closed bool) {
	if p.contacts[name] == closed {
		return
	}
	p.lastChange = p.now
	p.changed[name] = contactChange{at: p.now, before: p.contacts[name]}
	p.contacts[name] = closed
	p.log.input(name).add(p.now, inputLevel(!closed))
	p.log.input(name).add(p.now, inputLevel(closed))
}

// inputVolts is what stands at an input of the drive while its contact is closed (practice).
const inputVolts = 24

func inputLevel(closed bool) float64 {
	if closed {
		return inputVolts
	}
	return 0
}

// reacts is how long the drive takes to act on an input, by the part of the family's time that this unit needs.
func (p *Plant) reacts(q Permissive, slow float64) float64 {
	return min(slowest, max(p.unit.reacts*float64(q.Within), slow))
}

// sees is how the drive sees a contact: as it stood before until the drive has reacted.
func (p *Plant) sees(q Permissive, slow float64) bool {
	c, changed := p.changed[q.Contact]
	if changed && p.now < c.at+p.reacts(q, slow) {
		return c.before
	}
	return p.contacts[q.Contact]
}

// slow is how long a sick drive takes to act on a permissive; the inhibit input has no name.
func (p *Plant) slow(name string) float64 {
	for _, f := range p.look().active {
		if f.Name == "inhibit_slow" && name == "" || f.Name == "permissive_slow" && f.Target == name {
			return f.Size
		}
	}
	return 0
}

// slowest is the longest that any input takes to act, in seconds.
const slowest = 10

// nextReaction is the next instant at which the drive acts on an input.
func (p *Plant) nextReaction(after float64) float64 {
	next := forever
	if after > p.lastChange+slowest {
		return next
	}
	see := func(name string, q Permissive) {
		c, changed := p.changed[q.Contact]
		if t := c.at + p.reacts(q, p.slow(name)); changed && t > after {
			next = min(next, t)
		}
	}
	for name, q := range p.params.Permissives {
		see(name, q)
	}
	if q := p.params.Inhibit; q != nil {
		see("", *q)
	}
	return next
}

// inputContact is the contact behind an input of the drive: a permissive's name, or inhibit.
func (p *Plant) inputContact(name string) (string, bool) {
	if q, ok := p.params.Permissives[name]; ok && q.Contact != "" {
		return q.Contact, true
	}
	if name == "inhibit" && p.params.Inhibit != nil {
		return p.params.Inhibit.Contact, true
	}
	return "", false
}

// inputPoints lists the drive's inputs that a probe can be put on.
func (p *Plant) inputPoints() (points []string) {
	for _, name := range append(keys(p.params.Permissives), "inhibit") {
		if _, ok := p.inputContact(name); ok {
			points = append(points, "input:"+name)
		}
	}
	return points
}

func withinOf(p Params, name string) float64 {
	q := p.Permissives[name]
	if name == "" && p.Inhibit != nil {
		q = *p.Inhibit
	}
	return max(0.020, 5*float64(q.Within))
}
