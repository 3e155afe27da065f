package plant

import "slices"

// history is what is remembered of the last seconds: the logic's patterns as segments, and the slow voltages as curves.
type history struct {
	segments                  []segment
	bus, control, shape, duty curve
	twitches                  []span
	inputs                    map[string]*curve // of the drive, by contact
	twitching                 []int             // channel of each twitch
}

// segment is a stretch of time in which the logic wants the same of every gate. It lasts until the next begins.
type segment struct {
	t0       float64
	patterns []pattern
	origin   float64 // a chopping period begins here
	view     *view
	loaded   bool    // gate loads are there
	floating bool    // switch nodes have no place
	since    float64 // the control section runs since

	running, reverse bool
	code             int
	// Periods that begin after heldFrom have the duty held: the last pulses before a reversal.
	heldFrom, held float64
}

// input is the course of one input of the drive.
func (h *history) input(contact string) *curve {
	if h.inputs[contact] == nil {
		h.inputs[contact] = &curve{tol: 1e-3}
	}
	return h.inputs[contact]
}

func (s *segment) same(o *segment) bool {
	return s.view == o.view && s.loaded == o.loaded && s.floating == o.floating && s.since == o.since &&
		s.running == o.running && s.reverse == o.reverse && s.code == o.code && slices.Equal(s.patterns, o.patterns)
}

func (h *history) begin() {
	h.inputs = map[string]*curve{}
	h.bus.tol, h.control.tol, h.shape.tol, h.duty.tol = 2e-3, 1e-3, 1e-4, 1e-4
}

func (h *history) last() *segment {
	if len(h.segments) == 0 {
		return nil
	}
	return &h.segments[len(h.segments)-1]
}

// enter appends a segment; what was planned for later than its begin is dropped.
func (h *history) enter(s segment) {
	for n := len(h.segments); n > 0 && h.segments[n-1].t0 >= s.t0; n-- {
		h.segments = h.segments[:n-1]
	}
	if l := h.last(); l != nil && l.heldFrom == 0 {
		l.heldFrom = s.t0
	}
	h.segments = append(h.segments, s)
}

// forget drops what lies before t.
func (h *history) forget(t float64) {
	for _, c := range []*curve{&h.bus, &h.control, &h.shape, &h.duty} {
		c.forget(t)
	}
	for _, c := range h.inputs {
		c.forget(t)
	}
	if i := h.find(t); i > 256 {
		h.segments = slices.Delete(h.segments, 0, i)
	}
	for len(h.twitches) > 0 && h.twitches[0].b < t {
		h.twitches, h.twitching = h.twitches[1:], h.twitching[1:]
	}
}

// find is the segment that t lies in.
func (h *history) find(t float64) int {
	i, exact := slices.BinarySearchFunc(h.segments, t, func(s segment, t float64) int {
		switch {
		case s.t0 < t:
			return -1
		case s.t0 > t:
			return 1
		}
		return 0
	})
	if !exact {
		i--
	}
	return max(0, i)
}

// end is where segment i ends.
func (h *history) end(i int) float64 {
	if i+1 < len(h.segments) {
		return h.segments[i+1].t0
	}
	return forever
}

const forever = 1e18

// twitch logs what the named fault makes of its channel.
func (p *Plant) twitch(fault string, at float64) {
	for _, f := range p.look().active {
		if f.Name == fault {
			p.log.twitches = append(p.log.twitches, span{at, at + f.Size})
			p.log.twitching = append(p.log.twitching, p.channel(f.Target))
		}
	}
}
