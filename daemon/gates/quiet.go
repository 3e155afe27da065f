package gates

import (
	"fmt"
	"math"
	"slices"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// quietView is a measured Quiet.
type quietView struct {
	Quiet
	channels map[string]*sighting
}

// topic is one check of the quiet views: the inhibit, or one permissive, or one invalid code.
type topic struct{ check, subject string }

func (c *Chart) topics() []topic {
	var all []topic
	for _, q := range c.quiet {
		if t := (topic{q.Check, q.Subject}); !slices.Contains(all, t) {
			all = append(all, t)
		}
	}
	return all
}

// quietCheck judges one topic over all legs.
func (c *Chart) quietCheck(t topic) (verdict.Check, []event.Finding) {
	subject := t.subject
	if subject == "" {
		subject = "all gates"
	}
	var wrong, unclear []string
	var fires []string
	change := ""
	seen := map[string]bool{}
	for _, q := range c.quiet {
		if (topic{q.Check, q.Subject}) != t {
			continue
		}
		seen[q.Leg] = true
		expected := c.family.Quiet(q.Situation)
		high, low := c.family.Leg(q.Leg)
		for _, channel := range []string{high, low} {
			if why := c.hidden(channel); why != "" {
				unclear = append(unclear, fmt.Sprintf("%s: %s", channel, why))
				continue
			}
			found := c.pattern(q.channels[channel], expected[channel])
			switch {
			case found.unclear != "":
				unclear, change = append(unclear, fmt.Sprintf("%s: %s", channel, found.unclear)), found.change
			case found.pattern != expected[channel]:
				wrong = append(wrong, fmt.Sprintf("%s %s instead of %s", channel, found.pattern, expected[channel]))
				fires = append(fires, channel)
			case found.pattern == drive.Toggle && channel == high:
				if off := c.offHalf(q.channels[high], q.channels[low]); off > 0 {
					wrong = append(wrong, fmt.Sprintf("leg %s is %s of the period off the middle", q.Leg, about(off, quantity.Percent)))
				}
			}
		}
	}
	for _, leg := range c.family.Bridge.Legs {
		if !seen[leg] {
			unclear, change = append(unclear, "leg "+leg+" was not looked at"), "capture every leg"
		}
	}
	switch {
	case len(wrong) > 0:
		k := c.plain(t.check, subject, verdict.Fail, few(wrong), "")
		f := c.quietFinding(t, few(wrong), fires)
		k.Part = f.Part
		return k, []event.Finding{f}
	case len(unclear) > 0:
		return c.plain(t.check, subject, verdict.Undecided, few(unclear), change), nil
	}
	return c.plain(t.check, subject, verdict.Pass, "", ""), nil
}

// offHalf is by how much a toggling leg's duty is off one half, beyond the reference's tolerated offset and beyond the
// uncertainty; 0 if it is not. Half the difference of the two gates' duties is taken: the dead time shortens both alike.
func (c *Chart) offHalf(high, low *sighting) float64 {
	h, ok1 := high.coarse()
	l, ok2 := low.coarse()
	if !ok1 || !ok2 || !h.Duty.Known() || !l.Duty.Known() {
		return 0
	}
	r := c.family.Reference
	offset := 0.0
	if r.Duty > 0 && r.Sweep > 0 {
		offset = math.Abs(float64(r.Duty)-0.5) / float64(r.Sweep) * float64(r.Offset)
	}
	off := math.Abs(h.Duty.Value-l.Duty.Value) / 2
	if off > offset+math.Hypot(h.Duty.U, l.Duty.U)/2 {
		return off
	}
	return 0
}

func (c *Chart) quietFinding(t topic, what string, fires []string) event.Finding {
	f := event.Finding{Subject: t.subject}
	switch t.check {
	case "zero reference":
		f.Subject, f.Part = "reference", "reference input"
		f.Text = fmt.Sprintf("Gates fire at zero reference (%s): the reference input has an offset.", what)
		f.Do = fmt.Sprintf("Measure the reference at the drive's input: is it zero? Then the balance of the input amplifier; the family allows %v.", c.family.Reference.Offset)
		if c.family.Patterns.Idle == "toggle" {
			f.Text = fmt.Sprintf("At zero reference the idle pattern is wrong (%s).", what)
		}
	case "inhibit":
		f.Subject, f.Part = "inhibit", "inhibit input"
		f.Text = fmt.Sprintf("The inhibit input does not inhibit: %s.", what)
		f.Do = "Check that the bench's inhibit contact reaches the drive; then the input circuit. Energise nothing else until it works."
	case "permissive":
		f.Part = t.subject + " input"
		f.Text = fmt.Sprintf("The drive does not stop when %s is withdrawn: %s.", t.subject, what)
		f.Do = fmt.Sprintf("Check that the bench's %s contact reaches the drive and that nothing bridges it; then the input circuit.", t.subject)
	case "invalid Hall code":
		f.Subject, f.Part = "Hall decoder", "Hall decoder of the control section"
		f.Text = fmt.Sprintf("The drive fires gates at the invalid Hall code %s: %s.", t.subject, what)
		f.Do = "Check the Hall spacing that is set on drive and bench; then the decoder. A motor with a broken Hall cable would be driven blindly."
	default:
		f.Text = fmt.Sprintf("%s: %s.", t.check, what)
	}
	if len(fires) == 1 && len(c.channels) > 1 {
		f.Do = fmt.Sprintf("Only %s is wrong: look at its driver first. %s", fires[0], f.Do)
	}
	return f
}
