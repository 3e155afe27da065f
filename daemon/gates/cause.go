package gates

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
)

// cause is a single thing that would explain a wrong chart: what every channel would then show.
type cause struct {
	finding event.Finding
	predict func(s state, channel string) drive.Pattern
	// latches: once the drive has met an invalid Hall code it may stay off until it is reset.
	latches bool
	invalid func(s state) bool
	// weak: a channel that should chop may be nearer to the idle pattern's half.
	weak bool
}

// explain finds the cause that leaves the fewest cells unexplained, and the causes that do so equally well. It needs to
// explain more than half of what is wrong; else there are none.
func (c *Chart) explain(base expectation) (best []cause, left int) {
	wrong, _ := c.misses(base.of)
	if wrong == 0 {
		return nil, 0
	}
	const scale = 100 // a cell that only a latched fault explains costs a hundredth
	least := wrong * scale
	for _, k := range c.causes(base) {
		cost := c.cost(k, scale)
		switch {
		case cost < least:
			best, least = []cause{k}, cost
		case cost == least && len(best) > 0:
			best = append(best, k)
		}
	}
	if 2*least >= wrong*scale {
		return nil, wrong
	}
	return best, least / scale
}

func (c *Chart) cost(k cause, scale int) int {
	cost, leaning := 0, map[string]int{} // cells of each channel that chop too near to the half
	for _, ch := range c.channels {
		if c.hidden(ch.Name) != "" {
			continue
		}
		latched := false
		off := c.family.Quiet(drive.InvalidHall)[ch.Name]
		for _, s := range c.order[ch.Leg] {
			want := k.predict(s, ch.Name)
			latched = latched || k.latches && k.invalid(s)
			found := c.pattern(c.sightings[ch.Name][s], want)
			switch {
			case found.unclear != "" || c.same(found.pattern, want):
			case k.weak && want.Switches() && found.pattern == drive.Toggle:
				cost++ // where all idle, that is the plainer word for it
				leaning[ch.Name]++
			case latched && c.same(found.pattern, off):
				cost++
			default:
				cost += scale
			}
		}
	}
	if len(leaning) == 1 { // the reference serves all channels: one that leans alone has a fault of its own
		for _, cells := range leaning {
			cost += cells * scale
		}
	}
	return cost
}

// causes lists what is tried, the plainest first.
func (c *Chart) causes(base expectation) []cause {
	all := c.railCauses(base)
	for _, ch := range c.channels {
		for _, level := range []drive.Pattern{drive.On, drive.Off} {
			all = append(all, cause{predict: func(s state, channel string) drive.Pattern {
				if channel == ch.Name {
					return level
				}
				return base.of(s, channel)
			}, finding: c.stuck(ch, level)})
		}
	}
	for i, a := range c.channels {
		for _, b := range c.channels[i+1:] {
			all = append(all, c.swapped(base, a, b))
		}
	}
	all = append(all, c.directions(base)...)
	if c.family.UsesHall() {
		all = append(all, c.hallCauses(base)...)
	}
	return all
}

// railCauses are driver rails that feed several channels, dead.
func (c *Chart) railCauses(base expectation) []cause {
	var all []cause
	feeds := map[string][]string{}
	for _, ch := range c.channels {
		feeds[ch.Rail] = append(feeds[ch.Rail], ch.Name)
	}
	for _, rail := range slices.Sorted(maps.Keys(feeds)) {
		fed := feeds[rail]
		if len(fed) < 2 || len(fed) == len(c.channels) {
			continue
		}
		all = append(all, cause{
			predict: func(s state, channel string) drive.Pattern {
				if slices.Contains(fed, channel) {
					return drive.Off
				}
				return base.of(s, channel)
			},
			finding: event.Finding{Subject: "rail " + rail, Part: "rail " + rail,
				Text: fmt.Sprintf("All channels that hang on rail %s stay off (%s), while the others fire.", rail, strings.Join(fed, ", ")),
				Do:   fmt.Sprintf("Measure rail %s: %s.", rail, c.family.Rails[rail].Point)},
		})
	}
	return all
}

func (c *Chart) stuck(ch drive.Channel, level drive.Pattern) event.Finding {
	if level == drive.On {
		return event.Finding{Subject: ch.Name, Part: "gate driver of " + ch.Name,
			Text: fmt.Sprintf("%s is stuck on: it stands above the device's threshold in every Hall state.", ch.Name),
			Do:   "Fit no devices: the other device of the leg would short the bus. Check the gate driver's output against its supply, then the signal into the driver."}
	}
	return event.Finding{Subject: ch.Name, Part: "gate driver of " + ch.Name + " or the signal into it",
		Text: fmt.Sprintf("%s never switches on, while the other channels do.", ch.Name),
		Do:   "Measure the driver's supply at its pins, then the signal into the driver (coupler), then its output."}
}

func (c *Chart) swapped(base expectation, a, b drive.Channel) cause {
	probes := ""
	if p, q := c.sight.Probes[a.Name], c.sight.Probes[b.Name]; p != "" && q != "" && p != q {
		probes = fmt.Sprintf(" (%s and %s)", p, q)
	}
	return cause{
		predict: func(s state, channel string) drive.Pattern {
			switch channel {
			case a.Name:
				return base.of(s, b.Name)
			case b.Name:
				return base.of(s, a.Name)
			}
			return base.of(s, channel)
		},
		finding: event.Finding{Subject: a.Name + " and " + b.Name, Part: "wiring between control section and gate drivers",
			Text: fmt.Sprintf("%s and %s are exchanged: each shows the other's pattern.", a.Name, b.Name),
			Do:   "Check the probes" + probes + " first: are they on the points they are named for? Then the connector or ribbon between control section and drivers."},
	}
}

// directions are faults of the reference: one polarity missing, or both exchanged.
func (c *Chart) directions(base expectation) []cause {
	var all []cause
	idle := c.family.Quiet(drive.Idle)
	for _, d := range drive.Directions() {
		all = append(all, cause{
			predict: func(s state, channel string) drive.Pattern {
				if s.direction == d {
					return idle[channel]
				}
				return base.of(s, channel)
			},
			finding: event.Finding{Subject: "reference", Part: "reference input",
				Text: fmt.Sprintf("The drive answers to the reference in one direction only: asked for %s, it stands idle.", d),
				Do:   fmt.Sprintf("Measure the reference at the drive's input in both polarities; check the end switch of the %s direction and its wiring; then the input amplifier of the reference.", d)},
		})
	}
	all = append(all, cause{
		predict: func(_ state, channel string) drive.Pattern { return idle[channel] },
		finding: event.Finding{Subject: "reference", Part: "reference input",
			Text: "The drive idles in both directions: it does not answer to the reference, or much too little.",
			Do:   "Measure the reference at the drive's input; then gain and dead zone of the reference's input amplifier."},
	})
	all = append(all, cause{
		weak:    true,
		predict: base.of,
		finding: event.Finding{Subject: "reference", Part: "reference input",
			Text: "The drive answers to the reference too weakly: its channels chop, but too near to the half of the period at which they idle.",
			Do:   "Measure the reference at the drive's input; then gain and dead zone of the reference's input amplifier."},
	})
	return append(all, cause{
		predict: func(s state, channel string) drive.Pattern {
			return base.of(state{s.code, other(s.direction)}, channel)
		},
		finding: event.Finding{Subject: "reference", Part: "reference wiring",
			Text: "Forward and reverse are exchanged.",
			Do:   "Check the polarity of the reference source's leads at the drive's input first, then whether this drive has a direction jumper."},
	})
}

// hallCauses are faults of the Hall inputs: a line that the drive reads as always high or always low, two lines exchanged, or no
// line at all.
func (c *Chart) hallCauses(base expectation) []cause {
	var all []cause
	add := func(f event.Finding, reads func(int) int) {
		all = append(all, cause{
			latches: true,
			invalid: func(s state) bool { return slices.Contains(c.family.Invalid(), reads(s.code)) },
			predict: func(s state, channel string) drive.Pattern {
				code := reads(s.code)
				if slices.Contains(c.family.Invalid(), code) {
					return c.family.Quiet(drive.InvalidHall)[channel]
				}
				return base.of(state{code, s.direction}, channel)
			},
			finding: f,
		})
	}
	for line := 1; line <= 3; line++ {
		bit := 1 << (3 - line)
		name := fmt.Sprintf("Hall %d", line)
		add(event.Finding{Subject: name, Part: name + " input",
			Text: fmt.Sprintf("The drive reads %s as always high: its input is open.", name),
			Do:   fmt.Sprintf("Check the Hall cable and the bench's line %d first, then the connector, then the input's pull-up and filter.", line)},
			func(code int) int { return code | bit })
		add(event.Finding{Subject: name, Part: name + " input",
			Text: fmt.Sprintf("The drive reads %s as always low: its input is shorted to ground.", name),
			Do:   fmt.Sprintf("Check the Hall cable and the bench's line %d first, then the input's filter capacitor and clamp.", line)},
			func(code int) int { return code &^ bit })
	}
	for a := 1; a <= 3; a++ {
		for b := a + 1; b <= 3; b++ {
			add(event.Finding{Subject: fmt.Sprintf("Hall %d and Hall %d", a, b), Part: "Hall inputs",
				Text: fmt.Sprintf("Hall %d and Hall %d are exchanged.", a, b),
				Do:   "Check the order of the wires in the bench's Hall connector first, then the drive's connector."},
				func(code int) int { return exchange(code, 3-a, 3-b) })
		}
	}
	for _, code := range []int{0b000, 0b111} {
		level := map[int]string{0b000: "low", 0b111: "high"}[code]
		add(event.Finding{Subject: "Hall inputs", Part: "Hall supply or Hall connector",
			Text: fmt.Sprintf("The drive reads all three Hall lines as always %s: the gates do not follow the Hall code.", level),
			Do:   "Check that the bench's Hall connector is plugged in, then the 5 V of the Hall connector against its ground."},
			func(int) int { return code })
	}
	return all
}

// exchange swaps two bits.
func exchange(code, i, j int) int {
	a, b := code>>i&1, code>>j&1
	return code&^(1<<i|1<<j) | a<<j | b<<i
}

// together makes one finding of causes that explain the chart equally well.
func together(causes []cause) event.Finding {
	f := causes[0].finding
	if len(causes) == 1 {
		return f
	}
	var texts, subjects, parts, todo []string
	for _, k := range causes {
		texts = append(texts, strings.TrimSuffix(k.finding.Text, "."))
		subjects = append(subjects, k.finding.Subject)
		parts = append(parts, k.finding.Part)
		todo = append(todo, k.finding.Do)
	}
	return event.Finding{
		Subject: strings.Join(unique(subjects), " or "), Part: strings.Join(unique(parts), " or "),
		Text: "The chart cannot tell these apart: " + strings.Join(texts, "; or: ") + ".",
		Do:   strings.Join(unique(todo), " "),
	}
}

func unique(words []string) []string {
	var out []string
	for _, w := range words {
		if !slices.Contains(out, w) {
			out = append(out, w)
		}
	}
	return out
}
