package gates

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
)

// diagnosis turns a judged chart into findings in words.
type diagnosis struct {
	chart  *Chart
	rows   []*channelRow
	base   expectation
	around Circumstances
	parts  map[string]string // "check/subject" to the part that is likely bad
	told   map[string]bool   // channels whose pulse width a leg's finding explains
	eaten  map[string]string // channels whose slow edges or jitter explain what is wrong with their leg, and that in words
	out    []event.Finding
}

// findings are the conclusions from the chart and its checks, the gravest first.
func (d *diagnosis) findings(checks []verdict.Check) []event.Finding {
	d.parts, d.told, d.eaten = map[string]string{}, map[string]bool{}, map[string]string{}
	if d.chart.nothingFires() && d.expectsFiring() {
		d.nothing()
		return d.out
	}
	d.patterns(checks)
	d.levels(checks)
	d.legs(checks)
	d.timing(checks)
	d.odd(checks)
	return d.out
}

func (d *diagnosis) say(f event.Finding, check string, channels ...string) {
	d.out = append(d.out, f)
	for _, ch := range channels {
		d.parts[check+"/"+ch] = f.Part
	}
}

func (d *diagnosis) expectsFiring() bool {
	for _, r := range d.rows {
		for _, x := range r.cells {
			if x.expected == "" || x.expected != drive.Off {
				return true
			}
		}
	}
	return false
}

// nothing says what to look for when no gate fires at all: what the drive waits for comes before any channel.
func (d *diagnosis) nothing() {
	f := event.Finding{Subject: "drive", Text: "No gate fires in any Hall state. This is not the fault of a gate channel."}
	switch {
	case len(d.around.Withheld) > 0:
		f.Part = strings.Join(d.around.Withheld, ", ")
		f.Text += fmt.Sprintf(" The bench does not give: %s.", f.Part)
		f.Do = "Give it and sweep again."
		f.Subject = d.around.Withheld[0]
	case len(d.around.Missing) > 0:
		f.Part = strings.Join(d.around.Missing, ", ")
		f.Text += fmt.Sprintf(" Not fitted: %s. Without it the drive reports a fault.", f.Part)
		f.Do = "Fit it and sweep again."
		f.Subject = d.around.Missing[0]
	default:
		d.waitsFor(&f)
	}
	if len(d.around.BadRails) > 0 {
		f.Text += fmt.Sprintf(" Rails out of limits: %s; mend them first.", strings.Join(d.around.BadRails, ", "))
	}
	d.out = append(d.out, f)
	for _, r := range d.rows {
		d.parts["gate pattern/"+r.channel.Name] = f.Part
	}
}

// waitsFor names, in the order in which they are looked at, what keeps a drive from firing.
func (d *diagnosis) waitsFor(f *event.Finding) {
	family := d.chart.family
	var names, order []string
	for _, s := range family.StandIns {
		if s.Sense != "" {
			order = append(order, fmt.Sprintf("the sense line %s with its stand-in %s (%s)", s.Sense, s.Name, s.Text))
			names = append(names, s.Sense)
		}
	}
	var permissives []string
	for name := range family.Permissives {
		permissives = append(permissives, name)
	}
	slices.Sort(permissives)
	order = append(order, "the permissives at the drive's own terminals ("+strings.Join(permissives, ", ")+")")
	if family.Inhibit != nil {
		order = append(order, "the inhibit input")
	}
	if family.UsesHall() {
		order = append(order, "the Hall inputs and their 5 V")
	}
	order = append(order, "the reference at the drive's input", "the control supply and the driver rails")
	f.Part = strings.Join(unique(append(names, "permissives")), ", ")
	switch {
	case d.around.Lamp != nil && *d.around.Lamp:
		f.Text += " The drive's fault lamp is lit although the bench gives every permissive: the drive misses one, or a sense line reports a fault."
		if family.UsesHall() {
			f.Text = strings.TrimSuffix(f.Text, ".") + ", or it reads an invalid Hall code and stays latched."
			f.Part += ", Hall inputs"
		}
	case d.around.Lamp != nil:
		f.Text += " The drive's fault lamp is dark: it waits for something rather than reporting a fault."
		order = append([]string{"enable"}, order...)
	default:
		f.Text += " The drive misses a permissive, or a sense line reports a fault."
	}
	f.Do = "Look, in this order, at " + strings.Join(order, "; ") + "."
}

// patterns explains wrong cells by a single cause, else names each channel.
func (d *diagnosis) patterns(checks []verdict.Check) {
	c := d.chart
	_, mistimed := d.failed(checks, "pulse timing")
	causes, left := c.explain(d.base)
	explained := map[string]bool{}
	if len(causes) > 0 {
		f := together(causes)
		if r := d.rowOf(f.Subject); r != nil && r.neverOn() {
			f = d.dead(r)
		}
		d.out = append(d.out, f)
		for _, r := range d.rows {
			d.parts["gate pattern/"+r.channel.Name] = f.Part
			explained[r.channel.Name] = left == 0 || strings.Contains(f.Subject, r.channel.Name)
		}
	}
	for _, r := range d.rows {
		if explained[r.channel.Name] || len(causes) > 0 && d.fits(causes[0], r) {
			continue
		}
		if _, ok := mistimed[r.channel.Name]; ok && r.leans() { // its pulses are to be explained, not where they come from
			continue
		}
		d.ownFault(r)
	}
}

// leans says that all that is wrong with the channel's pattern is how far it chops to one side.
func (r *channelRow) leans() bool {
	for _, x := range r.cells {
		if x.wrong() && !(x.expected.Switches() && x.found.pattern.Switches()) {
			return false
		}
	}
	return true
}

// fits says whether a cause explains all that a channel shows.
func (d *diagnosis) fits(k cause, r *channelRow) bool {
	for _, x := range r.cells {
		found := d.chart.pattern(x.sighting, k.predict(x.state, r.channel.Name))
		if found.unclear == "" && !d.chart.same(found.pattern, k.predict(x.state, r.channel.Name)) {
			return false
		}
	}
	return true
}

// ownFault names a channel whose wrong cells no single cause explains.
func (d *diagnosis) ownFault(r *channelRow) {
	var wrong []string
	for _, x := range r.cells {
		if x.wrong() {
			wrong = append(wrong, x.says())
		}
	}
	if len(wrong) == 0 {
		return
	}
	if r.neverOn() {
		f := d.dead(r)
		d.say(f, "gate pattern", r.channel.Name)
		return
	}
	d.say(event.Finding{Subject: r.channel.Name, Part: "gate driver of " + r.channel.Name + " or the signal into it",
		Text: fmt.Sprintf("%s shows the wrong pattern: %s.", r.channel.Name, few(wrong)),
		Do:   fmt.Sprintf("Check that %s is on this gate and its own source; then follow the signal from the control section to the driver.", d.chart.probe(r.channel.Name))},
		"gate pattern", r.channel.Name)
}

func (d *diagnosis) rowOf(channel string) *channelRow {
	for _, r := range d.rows {
		if r.channel.Name == channel {
			return r
		}
	}
	return nil
}

// neverOn says that the channel was off in all it was seen in.
func (r *channelRow) neverOn() bool {
	for _, x := range r.cells {
		if x.found.unclear != "" || x.found.pattern != drive.Off {
			return false
		}
	}
	return len(r.cells) > 0
}

// dead says of a channel that never goes on what is known of its driver.
func (d *diagnosis) dead(r *channelRow) event.Finding {
	c, name := d.chart, r.channel.Name
	f := event.Finding{Subject: name, Part: "gate driver of " + name + " or the signal into it"}
	rail, measured := d.around.OnRail[name]
	switch {
	case slices.Contains(d.around.BadRails, r.channel.Rail):
		f.Part = "rail " + r.channel.Rail
		f.Text = fmt.Sprintf("%s is dead: its driver's rail %s is out of limits.", name, r.channel.Rail)
		f.Do = "Repair the rail first, then sweep again."
	case measured && d.around.Proven[name]:
		f.Part = d.ownSupply(r)
		f.Text = fmt.Sprintf("%s is dead: its driver has no supply (%s at its pin, while %s was seen alive elsewhere).", name, volts(float64(rail)), c.probe(name))
		f.Do = "Measure it cold: diode, capacitor, the path from the rail to the driver's pin."
	case r.silent && measured:
		f.Part = d.ownSupply(r) + ", or the probe"
		f.Text = fmt.Sprintf("%s gives no sign, and on its driver's supply %s reads %v.", name, c.probe(name), rail)
		f.Do = fmt.Sprintf("Check the probe's leads, then measure rail %s: %s.", r.channel.Rail, c.family.Rails[r.channel.Rail].Point)
	case r.silent:
		f.Part = "the probe, or the gate driver of " + name
		f.Text = fmt.Sprintf("%s never moves; whether the channel is dead or %s is not on it, nobody can tell yet.", name, c.probe(name))
		f.Do = r.change
	case c.biased(r):
		f.Text = fmt.Sprintf("%s is stuck off: its driver holds it at %v and never switches it on.", name, volts(r.typical().off))
		f.Do = "The driver has its negative supply. Measure the signal into the driver (coupler, its LED resistor); if it is there, the driver's output stage."
	default:
		f.Text = fmt.Sprintf("%s is dead: its driver has its supply (%v), and the gate never moves.", name, rail)
		f.Do = "Measure the signal into the driver (coupler, level shifter); if it is there, change the driver."
	}
	if h := c.family.Gate.HighSideSupply; r.channel.Kind == drive.HighSide && (h == "bootstrap" || h == "charge_pump") && !c.biased(r) {
		f.Do += " Check first that the switch node's jumper to bus negative is fitted: without it a floating high side shows nothing."
	}
	return f
}

// ownSupply is what feeds a dead channel's driver and nothing that works.
func (d *diagnosis) ownSupply(r *channelRow) string {
	if d.fedWell(r) {
		return d.highSupply(r)
	}
	return "rail " + r.channel.Rail
}

// number of a check's reading, NaN without one.
func number(k verdict.Check) float64 {
	if k.Reading == nil {
		return math.NaN()
	}
	return k.Reading.Number
}
