package gates

import (
	"fmt"
	"math"
	"slices"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
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
			case found.pattern == drive.Toggle:
				if off := c.offHalf(q.channels[channel]); off > 0 {
					wrong = append(wrong, fmt.Sprintf("%s is on for %.1f %% more or less than half of the period", channel, 100*off))
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

// offHalf is by how much an idling channel's duty is off one half, beyond what the reference's tolerated offset explains and beyond
// the uncertainty; 0 if it is not.
func (c *Chart) offHalf(s *sighting) float64 {
	p, ok := s.coarse()
	if !ok || !p.Duty.Known() {
		return 0
	}
	r := c.family.Reference
	dead := float64(c.family.Modulation.DeadTime.Longest) * float64(c.family.Modulation.Frequency)
	offset := 0.0
	if r.Duty > 0 && r.Sweep > 0 {
		perVolt := math.Abs(float64(r.Duty)-0.5) / float64(r.Sweep)
		offset = perVolt * float64(r.Offset)
	}
	off := math.Abs(p.Duty.Value + dead/2 - 0.5)
	if off > dead/2+offset+p.Duty.U {
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
