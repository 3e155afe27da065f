package gates

import (
	"fmt"
	"slices"

	"benchwarden/daemon/drive"
	"benchwarden/instruments/waveform"
)

// MostWatches is how many long captures beside the first a Hall state may take: without feedback a drive cannot be kept
// chopping for ever.
const MostWatches = 24

// Wanting is how many more pulses of a leg's gates a Hall state still has to show, so that all states in which a gate chops
// together hold what the family's missing pulses ask for. 0 where the family does not say how long to look, where
// neither gate was seen chopping there, where a pulse already failed to come, or after MostWatches further captures.
func (c *Chart) Wanting(leg string, code int, direction drive.Direction) int {
	if !c.family.Modulation.Missing.Asked() {
		return 0
	}
	most := 0
	high, low := c.family.Leg(leg)
	for _, name := range []string{high, low} {
		x := c.sightings[name][state{code, direction}]
		if x == nil || !x.hasRare || x.watches >= MostWatches || x.rare.Undecided != "" || x.rare.Missing+x.rare.Extra > 0 {
			continue
		}
		most = max(most, c.share(name)-x.rare.Found)
	}
	return most
}

// share is how many pulses each state in which a channel is expected to chop has to show.
func (c *Chart) share(channel string) int {
	states := 0
	for _, s := range c.states {
		if c.family.Modulation.Kind == drive.UnknownWord {
			break
		}
		if patterns, valid := c.family.Expected(s.code, s.direction); valid && patterns[channel].Switches() {
			states++
		}
	}
	need := waveform.PulsesFor(c.sight.OneIn, c.sight.Confidence)
	states = max(states, 1)
	return need/states + min(1, need%states)
}

// Watch adds one more long capture of a leg at a Hall state that a view was added of, for its missing and extra pulses only.
func (c *Chart) Watch(leg string, code int, direction drive.Direction, p Pair) error {
	s := state{code, direction}
	high, low := c.family.Leg(leg)
	if high == "" || !slices.Contains(c.order[leg], s) {
		return fmt.Errorf("gate chart: leg %q at %s was not viewed before", leg, c.column(s))
	}
	for name, t := range map[string]waveform.Trace{high: p.High, low: p.Low} {
		x := c.sightings[name][s]
		if !x.hasRare || x.rare.Undecided != "" {
			continue
		}
		again := waveform.Missing(t, x.period, c.options())
		if again.Undecided != "" {
			x.rare.Undecided, x.rare.Change = again.Undecided, again.Change
			continue
		}
		x.rare.Expected += again.Expected
		x.rare.Found += again.Found
		x.rare.Missing += again.Missing
		x.rare.Extra += again.Extra
		x.watches++
		x.capped = x.watches >= MostWatches && x.rare.Found < c.share(name)
	}
	return nil
}
