package simulated

import (
	"sync"
	"time"
)

// harm are the faults of one instrument, and how often they have hit.
type harm struct {
	dice  *dice
	start time.Time
	// overflow fills the error queue; nil: there is none.
	overflow func()
	// leadOff takes the instrument's lead off.
	leadOff func()

	mu       sync.Mutex
	messages int
	faults   []*mischief
	held     map[string]float64 // readings that stand still
}

// mischief is a fault under way.
type mischief struct {
	Fault
	hits int
}

// spikesOneIn is how rare noise spikes are: one reading of so many.
const spikesOneIn = 10

func (m *mischief) due(now time.Duration, messages int) bool {
	return now >= m.From && messages > m.After && (m.Times == 0 || m.hits < m.Times)
}

// received counts a message and lets those faults act that need no answer.
func (h *harm) received() {
	h.mu.Lock()
	h.messages++
	h.mu.Unlock()
	if h.overflow != nil && h.acts(errorQueueFull) {
		h.overflow()
	}
	if h.leadOff != nil && h.acts(leadOff) {
		h.leadOff()
	}
}

// acts says whether a fault is there now, and counts the hit.
func (h *harm) acts(name string) bool {
	_, ok := h.take(name)
	return ok
}

// take is acts with the fault's size.
func (h *harm) take(name string) (size float64, ok bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, m := range h.faults {
		if m.Name == name && m.due(time.Since(h.start), h.messages) {
			m.hits++
			return m.Size, true
		}
	}
	return 0, false
}

// reading is what the instrument makes of a reading: frozen, or with a spike where it is a voltage.
func (h *harm) reading(what string, x float64, volts bool) float64 {
	if h.acts(frozen) {
		h.mu.Lock()
		defer h.mu.Unlock()
		if was, ok := h.held[what]; ok {
			return was
		}
		if h.held == nil {
			h.held = map[string]float64{}
		}
		h.held[what] = x
		return x
	}
	if volts && h.dice.oneIn(spikesOneIn) {
		if size, ok := h.take(noiseSpikes); ok {
			x += size
		}
	}
	return x
}
