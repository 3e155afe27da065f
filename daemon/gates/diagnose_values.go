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

// failed lists the rows that failed a check, and the check of each.
func (d *diagnosis) failed(checks []verdict.Check, name string) (rows []*channelRow, of map[string]verdict.Check) {
	of = map[string]verdict.Check{}
	for _, k := range checks {
		if k.Name == name && k.Outcome == verdict.Fail {
			if r := d.rowOf(k.Subject); r != nil {
				rows = append(rows, r)
				of[k.Subject] = k
			}
		}
	}
	return rows, of
}

// levels explains gate levels out of limits: the rail where all channels on it fail, else the channel.
func (d *diagnosis) levels(checks []verdict.Check) {
	rows, of := d.failed(checks, "gate level on")
	rail := func(r *channelRow) string { return r.channel.Rail }
	rest := d.shared(rows, rail, "gate level on", func(r *channelRow) bool { return number(of[r.channel.Name]) < float64(d.chart.family.Gate.On.Low) })
	for _, r := range rest {
		d.onLevel(r, of[r.channel.Name])
	}
	rows, of = d.failed(checks, "gate level off")
	negative := func(r *channelRow) string { return r.channel.NegativeRail }
	rest = d.shared(rows, negative, "gate level off", func(r *channelRow) bool { return number(of[r.channel.Name]) > float64(d.chart.family.Gate.Off.High) })
	for _, r := range rest {
		if r.neverOn() && d.wrong(r.channel.Name) { // dead: it stands where its driver leaves it
			d.parts["gate level off/"+r.channel.Name] = d.parts["gate pattern/"+r.channel.Name]
			continue
		}
		d.offLevel(r, of[r.channel.Name])
	}
}

// shared names a rail where all high sides or all low sides that hang on it, two at least, fail in the same way; it returns
// the other rows.
func (d *diagnosis) shared(failed []*channelRow, railOf func(*channelRow) string, check string, same func(*channelRow) bool) (rest []*channelRow) {
	named := map[string]bool{}
	for _, r := range failed {
		rail := railOf(r)
		if named[rail] {
			continue
		}
		fed, bad := 0, []string(nil)
		for _, o := range d.rows {
			if railOf(o) != rail || o.channel.Kind != r.channel.Kind {
				continue
			}
			fed++
			if slices.Contains(failed, o) && same(o) {
				bad = append(bad, o.channel.Name)
			}
		}
		if rail == "" || len(bad) < 2 || len(bad) < fed || !same(r) {
			rest = append(rest, r)
			continue
		}
		for _, o := range failed { // the other side of the legs, where it hangs on the same rail and fails too
			if railOf(o) == rail && same(o) && !slices.Contains(bad, o.channel.Name) {
				bad = append(bad, o.channel.Name)
			}
		}
		named[rail] = true
		d.say(event.Finding{Subject: "rail " + rail, Part: "rail " + rail,
			Text: fmt.Sprintf("%s is wrong on channels that have nothing in common but rail %s (%s).", strings.ToUpper(check[:1])+check[1:], rail, strings.Join(bad, ", ")),
			Do:   fmt.Sprintf("Measure rail %s: %s.", rail, d.chart.family.Rails[rail].Point)}, check, bad...)
	}
	return rest
}

func (d *diagnosis) onLevel(r *channelRow, k verdict.Check) {
	name := r.channel.Name
	band := d.chart.family.Gate.On
	f := event.Finding{Subject: name, Part: "gate driver of " + name}
	switch {
	case strings.Contains(k.Reason, ringing):
		f.Part = "gate resistor or gate loop of " + name
		f.Text = fmt.Sprintf("%s rings: %s.", name, k.Reason)
		f.Do = "Check the probe's ground lead first: a long one rings by itself. Then the gate resistor (too small, bridged) and the gate-source clamp."
	case d.sags(r):
		f.Part = d.highSupply(r)
		f.Text = fmt.Sprintf("%s sags: its on level falls by %v during the on time.", name, volts(r.sagging()))
		f.Do = "Measure the high side supply's capacitor and diode cold; an aged capacitor loses its charge in every pulse."
	case slices.Contains(d.around.BadRails, r.channel.Rail):
		f.Part = "rail " + r.channel.Rail
		f.Text = fmt.Sprintf("%s has an on level of %s: its driver's rail %s is out of limits.", name, reading(k), r.channel.Rail)
		f.Do = "Repair the rail first, then sweep again."
	case number(k) < float64(band.Low) && d.chart.family.Gate.HighSideSupply == "bootstrap" && r.channel.Kind == drive.HighSide && d.fedWell(r):
		f.Part = "gate driver of " + name + ", or its " + d.highSupply(r)
		f.Text = fmt.Sprintf("%s has a low on level, %v, while the other channels on rail %s are right.", name, reading(k), r.channel.Rail)
		f.Do = "Check that the switch node's jumper is fitted; then the bootstrap diode and capacitor; then the driver."
	case number(k) < float64(band.Low):
		f.Text = fmt.Sprintf("%s has a low on level, %v: the device would not conduct fully.", name, reading(k))
		f.Do = fmt.Sprintf("Measure the driver's supply at its pins (driver:%s); if it is right, look for a leaky gate clamp or gate-source path, then change the driver.", name)
	case number(k) > float64(band.High):
		f.Part = "rail " + r.channel.Rail
		f.Text = fmt.Sprintf("%s has an on level of %v, more than its gate should get.", name, reading(k))
		f.Do = fmt.Sprintf("Measure rail %s and the gate clamp.", r.channel.Rail)
	default:
		f.Text = fmt.Sprintf("%s: on level %v, unlike its siblings.", name, reading(k))
		f.Do = fmt.Sprintf("Measure the driver's supply at its pins (driver:%s).", name)
	}
	d.say(f, "gate level on", name)
}

func (d *diagnosis) offLevel(r *channelRow, k verdict.Check) {
	name := r.channel.Name
	f := event.Finding{Subject: name, Part: "gate driver of " + name}
	band := d.chart.family.Gate.Off
	switch {
	case band.High < 0 && math.Abs(number(k)) < math.Abs(float64(band.High))/2:
		f.Part = "negative supply of " + name
		if r.channel.NegativeRail != "" {
			f.Part = "rail " + r.channel.NegativeRail
		}
		f.Text = fmt.Sprintf("%s has no negative bias: off it stands at %v instead of below %v.", name, reading(k), band.High)
		f.Do = fmt.Sprintf("Measure %s at the driver's pins: the Zener diode and capacitor that make the negative supply.", f.Part)
	case number(k) > float64(band.High):
		f.Text = fmt.Sprintf("%s is not held off firmly: %v, the family allows %v.", name, reading(k), band.High)
		f.Do = "Measure the driver's output stage and its supply's ground; look for leakage into the gate."
	default:
		f.Text = fmt.Sprintf("%s: off level %v is lower than the family allows.", name, reading(k))
		f.Do = "Measure the driver's negative supply."
	}
	d.say(f, "gate level off", name)
}

// sagShare is how much of the swing a level may fall during an on time before it is called sagging (common practice, no
// source).
const sagShare = 0.05

// sagging is the worst fall of the level during an on time, in volts.
func (r *channelRow) sagging() float64 {
	worst := 0.0
	for _, x := range r.cells {
		if fallen := x.sag.fallen; fallen.Known() && x.hasShort {
			worst = max(worst, fallen.Value-fallen.U)
		}
	}
	return worst
}

func (d *diagnosis) sags(r *channelRow) bool {
	g := d.chart.family.Gate
	return r.sagging() > sagShare*float64(g.On.High-g.Off.Low)
}

func (d *diagnosis) highSupply(r *channelRow) string {
	if r.channel.Kind != drive.HighSide {
		return "supply of the gate driver of " + r.channel.Name
	}
	switch d.chart.family.Gate.HighSideSupply {
	case "bootstrap":
		return "bootstrap diode or capacitor of " + r.channel.Name
	case "charge_pump":
		return "charge pump capacitor of " + r.channel.Name
	}
	return "high side supply of " + r.channel.Name
}

// fedWell says that another channel on the same rail has a good on level.
func (d *diagnosis) fedWell(r *channelRow) bool {
	for _, o := range d.rows {
		if o != r && o.channel.Rail == r.channel.Rail {
			if on := o.typical().on; on >= float64(d.chart.family.Gate.On.Low) {
				return true
			}
		}
	}
	return false
}

// timing explains slow edges, wrong widths, frequency, jitter and missing pulses.
func (d *diagnosis) timing(checks []verdict.Check) {
	slowRise, rise := d.failed(checks, "rise time")
	slowFall, fall := d.failed(checks, "fall time")
	for _, r := range d.rows {
		up, down := slices.Contains(slowRise, r), slices.Contains(slowFall, r)
		switch {
		case down && !up && d.sags(r): // a level that falls during the on time looks like a slow fall
			d.parts["fall time/"+r.channel.Name] = d.highSupply(r)
		case up || down:
			d.slow(r, up, down, rise[r.channel.Name], fall[r.channel.Name])
		}
	}
	losing, lost := d.failed(checks, "missing pulses")
	rows, of := d.failed(checks, "pulse timing")
	if !d.common(rows, of) {
		for _, r := range rows {
			if !d.told[r.channel.Name] && !slices.Contains(losing, r) { // a pulse that is missing spoils width and period too
				d.badTiming(r, of[r.channel.Name])
			}
		}
	}
	for _, r := range losing {
		name := r.channel.Name
		d.say(event.Finding{Subject: name, Part: "signal into the gate driver of " + name,
			Text: fmt.Sprintf("%s loses pulses now and then: %s.", name, lost[name].Reason),
			Do:   "Look at the driver's input at the same time: missing there too, it is the control section or its connector; else the coupler or the driver's under-voltage lock-out."},
			"missing pulses", name)
		d.parts["pulse timing/"+name] = d.parts["missing pulses/"+name]
	}
}

// common names what all chopping channels have in common when they all fail by the same measure.
func (d *diagnosis) common(rows []*channelRow, of map[string]verdict.Check) bool {
	chopping := 0
	for _, r := range d.rows {
		if !r.never() && r.hidden == "" {
			chopping++
		}
	}
	if len(rows) < enough || len(rows) < chopping {
		return false
	}
	first := of[rows[0].channel.Name]
	f := event.Finding{}
	switch {
	case all(rows, of, frequencyWord):
		f = event.Finding{Subject: frequencyWord, Part: "oscillator of the control section",
			Text: fmt.Sprintf("All channels chop at the wrong frequency, %s.", reading(first)),
			Do:   "Check that this unit is of the family that was chosen; then the control section's oscillator."}
	case all(rows, of, jitterWord):
		f = event.Finding{Subject: "chopping period", Part: "oscillator or supply of the control section",
			Text: fmt.Sprintf("All channels have jitter: the chopping period varies by %s from pulse to pulse.", reading(first)),
			Do:   "Look at the ripple of the logic rail, then at the control section's oscillator."}
	case all(rows, of, dutyWord):
		f = event.Finding{Subject: "reference", Part: "reference input",
			Text: fmt.Sprintf("All channels chop with the wrong duty (%s at %s where %s was expected for %v): the drive takes the reference for another voltage.",
				reading(first), rows[0].channel.Name, middle(first), d.chart.family.Reference.Sweep),
			Do: "Measure the reference at the drive's input; then gain, dead zone and offset of the reference's input amplifier."}
	case all(rows, of, widthWord): // every one of them against its siblings: by direction, not by channel
		f = event.Finding{Subject: "reference", Part: "reference input",
			Text: "All channels chop wider in one direction than in the other: the reference input has an offset.",
			Do:   "Measure the reference at the drive's input in both directions and at zero; then the offset of its input amplifier."}
	default:
		return false
	}
	d.say(f, "pulse timing", names(rows)...)
	return true
}

// middle is the middle of a check's limits, for a sentence.
func middle(k verdict.Check) string {
	if k.Low == nil || k.High == nil {
		return "another"
	}
	return about((k.Low.Number+k.High.Number)/2, k.Low.Unit)
}

func names(rows []*channelRow) []string {
	var out []string
	for _, r := range rows {
		out = append(out, r.channel.Name)
	}
	return out
}

// all says that every row fails by the same measure.
func all(rows []*channelRow, of map[string]verdict.Check, measure string) bool {
	for _, r := range rows {
		if !strings.Contains(of[r.channel.Name].Reason, measure) {
			return false
		}
	}
	return true
}

func (d *diagnosis) slow(r *channelRow, up, down bool, rise, fall verdict.Check) {
	name := r.channel.Name
	f := event.Finding{Subject: name, Part: "gate driver of " + name}
	switch {
	case up && down:
		f.Part = "gate resistor or gate driver of " + name
		f.Text = fmt.Sprintf("%s switches slowly both ways (rise %v, fall %v): a weak driver or a gate resistor that has risen.", name, reading(rise), reading(fall))
		f.Do = fmt.Sprintf("Measure the gate resistor cold (the family says %v); if it is right, change the driver.", d.chart.family.Gate.Resistor)
	case up:
		f.Text = fmt.Sprintf("%s rises slowly, %v, and falls as it should: the upper half of the driver is weak.", name, reading(rise))
		f.Do = "Change the driver; where turning on has a resistor of its own, measure that first."
	default:
		f.Text = fmt.Sprintf("%s falls slowly, %v, and rises as it should: the lower half of the driver is weak, or the discharge diode is open.", name, reading(fall))
		f.Do = "Measure the diode across the gate resistor where there is one; then change the driver."
	}
	f.Text += d.eaten[name]
	d.say(f, "rise time", name)
	d.parts["fall time/"+name] = f.Part
}

func (d *diagnosis) badTiming(r *channelRow, k verdict.Check) {
	name := r.channel.Name
	f := event.Finding{Subject: name, Part: "signal into the gate driver of " + name}
	switch {
	case strings.Contains(k.Reason, jitterWord):
		f.Text = fmt.Sprintf("%s has jitter: its period varies by %v from pulse to pulse.", name, reading(k))
		f.Do = "Compare with the driver's input; an aged coupler or a noisy supply of the control section does this."
	case strings.Contains(k.Reason, "frequency"):
		f.Text = fmt.Sprintf("%s chops at %v, unlike the family.", name, reading(k))
		f.Do = "Look for missing or extra pulses in the trace."
	case k.Low != nil && number(k) < k.Low.Number:
		f.Part = "coupler of " + name
		f.Text = fmt.Sprintf("%s gives narrow pulses (%v): its switching on is delayed, as an aged coupler does it.", name, reading(k))
		f.Do = "Compare with the driver's input; change the coupler, or its LED resistor if that has risen."
	default:
		f.Text = fmt.Sprintf("%s gives wide pulses (%v): its switching off is delayed. The dead time suffers.", name, reading(k))
		f.Do = "Compare with the driver's input; then the driver."
	}
	f.Text += d.eaten[name]
	d.say(f, "pulse timing", name)
	if _, explained := d.parts["gate pattern/"+name]; !explained && d.wrong(name) {
		d.parts["gate pattern/"+name] = f.Part
	}
}
