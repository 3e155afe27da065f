package gates

import (
	"fmt"
	"slices"

	"benchwarden/daemon/drive"
)

// expectation is what every channel should show in every state.
type expectation struct {
	patterns map[state]map[string]drive.Pattern
	note     string // how a family without data came to one
}

func (e expectation) of(s state, channel string) drive.Pattern { return e.patterns[s][channel] }

// expect takes the patterns from the family; where it states no modulation, from the six-step commutation that fits
// what the channels show best.
func (c *Chart) expect() expectation {
	if c.family.Modulation.Kind != drive.UnknownWord {
		return c.patternsOf(c.family, 0, false)
	}
	return c.fit()
}

// patternsOf are a family's patterns with the commutation advanced by a number of steps, or with the directions exchanged.
func (c *Chart) patternsOf(f *drive.Family, advanced int, turned bool) expectation {
	e := expectation{patterns: map[state]map[string]drive.Pattern{}}
	walk := f.Walk(drive.Forward)
	for _, s := range c.states {
		code := walk[(slices.Index(walk, s.code)+advanced)%len(walk)]
		d := s.direction
		if turned {
			d = other(d)
		}
		e.patterns[s], _ = f.Expected(code, d)
	}
	return e
}

func other(d drive.Direction) drive.Direction {
	if d == drive.Forward {
		return drive.Reverse
	}
	return drive.Forward
}

// fit tries every modulation and every offset of the commutation: published tables differ in the angle at which they
// begin, so a drive without data may be one or more steps away from ours. A fit needs three of four cells.
func (c *Chart) fit() expectation {
	kinds := []string{drive.Complementary, drive.HighChopped}
	steps := 6
	if !c.family.UsesHall() {
		kinds, steps = []string{drive.Antiphase}, 1
	}
	var best expectation
	fewest, cells := 0, 0
	for _, kind := range kinds {
		trial := *c.family
		trial.Modulation.Kind = kind
		for n := range steps {
			for _, turned := range []bool{false, true} {
				e := c.patternsOf(&trial, n, turned)
				wrong, seen := c.misses(e.of)
				if best.patterns == nil || wrong < fewest {
					best, fewest, cells = e, wrong, seen
					best.note = fmt.Sprintf("six-step commutation, %s chopping, %d steps of 60 degrees away from the usual table", kind, n)
				}
			}
		}
	}
	if cells == 0 || 4*fewest > cells || c.nothingFires() {
		return expectation{}
	}
	return best
}

// misses counts the cells that do not show what is predicted, of those that are clear.
func (c *Chart) misses(predict func(state, string) drive.Pattern) (wrong, clear int) {
	for _, ch := range c.channels {
		for s, seen := range c.sightings[ch.Name] {
			if c.hidden(ch.Name) != "" {
				continue
			}
			want := predict(s, ch.Name)
			found := c.pattern(seen, want)
			if found.unclear != "" {
				continue
			}
			clear++
			if !c.same(found.pattern, want) {
				wrong++
			}
		}
	}
	return wrong, clear
}

// nothingFires says that something was seen, and no channel was on in any of it.
func (c *Chart) nothingFires() bool {
	seen := 0
	for _, ch := range c.channels {
		for _, s := range c.sightings[ch.Name] {
			found := c.pattern(s, drive.Off)
			if found.unclear != "" || found.pattern != drive.Off {
				return false
			}
			seen++
		}
	}
	return seen > 0
}
