package command

import (
	"fmt"
	"io"
	"strings"

	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
	"benchwarden/daemon/verdict"
)

// teller prints what happens, a line an event, as a technician would say it.
type teller struct {
	out    io.Writer
	prefix string // unit, where several run at once
	budget bool   // what each check's uncertainty is made of
	quiet  bool   // leave out passed checks and switched outputs
	width  int    // of the terminal, 0 where there is none
}

func (t teller) say(mark, format string, args ...any) {
	line := fmt.Sprintf("%s%-10s %s", t.prefix, mark, fmt.Sprintf(format, args...))
	fmt.Fprintln(t.out, hands.Fold(line, t.width, len(t.prefix)+11))
}

// tell prints one event; readings are too many to print.
func (t teller) tell(e event.Event) {
	switch b := e.Body.(type) {
	case event.RunStarted:
		simulated := ""
		if b.Simulated {
			simulated = ", SIMULATED bench"
		}
		t.say("run", "%s: unit %s, family %s, stage %s%s", b.Title, b.Unit, b.Family, b.Stage, simulated)
	case event.Step:
		t.say("", "%s", b.Text)
	case event.Note:
		t.say("note", "%s", b.Text)
	case event.Energising:
		t.say("ENERGISE", "%s, up to %v, for at most %v, allowed by %s", strings.Join(b.Outputs, " and "), b.Highest, b.Longest, b.By)
	case event.Switched:
		if !t.quiet {
			t.say("", "%s %s", b.Output, onOff(b.On))
		}
	case event.Check:
		if !t.quiet || b.Outcome == verdict.Fail {
			t.say(string(b.Outcome), "%s", checkLine(verdict.Check(b)))
			if t.budget {
				for _, line := range verdict.Check(b).BudgetLines() {
					t.say("", "  %s", line)
				}
			}
		}
	case event.Override:
		t.say("OVERRIDE", "%s: set aside by %s: %s", b.Rule, b.By, b.Reason)
	case event.Finding:
		t.say("FINDING", "%s", b.Text)
		if b.Part != "" && !t.quiet {
			t.say("", "likely: %s", b.Part)
		}
		if b.Do != "" && !t.quiet {
			t.say("", "do: %s", b.Do)
		}
	case event.Progress:
		if !t.quiet {
			t.say("", "%v of %v", b.Done, b.Of)
		}
	case event.Trip:
		t.say("TRIP", "%s: %s", b.Cause, b.Text)
		t.say("", "do: %s", b.Do)
	case event.Safety:
		if !b.Confirmed {
			for _, o := range b.Outputs {
				if !o.Confirmed {
					t.say("NOT SAFE", "%s is not confirmed %s: %s", o.Name, o.Safe, o.Text)
				}
			}
		} else if !t.quiet {
			t.say("", "outputs confirmed in their safe states (%s)", b.Cause)
		}
	case event.Bus:
		t.say("bus", "%s", busLine(b))
	case event.Link:
		t.say("link", "%s %s%s", b.Instrument, b.State, because(b.Why))
	case event.Hold:
		t.say("HOLD", "%s %s", b.By, map[bool]string{true: "has hands in the bench", false: "is clear"}[b.Placed])
	case event.RunEnded:
		t.say(strings.ToUpper(b.Outcome), "run %s", e.Run)
		for _, r := range b.Reasons {
			t.say("", "- %s", r)
		}
		if !t.quiet {
			t.say("", "time: %.1f s for instruments, %.1f s for people, %.2f s computing", b.Bench, b.People, b.Computing)
		}
	}
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

// busLine is the state of the drive's bus in a line; without a reading it names no voltage.
func busLine(b event.Bus) string {
	if b.Unread {
		return b.State + because(b.Why)
	}
	return fmt.Sprintf("%s at %v%s", b.State, b.Volts, because(b.Why))
}

func because(why string) string {
	if why == "" {
		return ""
	}
	return ": " + why
}

// checkLine is a check in one line: "quiescent current of bus: 23.1 mA (20 mA to 28 mA, ± 300 µA)".
func checkLine(c verdict.Check) string {
	s := c.Name + " of " + c.Subject
	if c.Reading != nil {
		s += ": " + c.Figure()
		switch {
		case c.Low != nil && c.High != nil:
			s += fmt.Sprintf(" (%v to %v", *c.Low, *c.High)
		case c.Low != nil:
			s += fmt.Sprintf(" (at least %v", *c.Low)
		case c.High != nil:
			s += fmt.Sprintf(" (at most %v", *c.High)
		default:
			s += " (no limit"
		}
		s += ")"
	}
	for _, more := range []string{c.Rule, c.Reason, c.Part} {
		if more != "" {
			s += "; " + more
		}
	}
	if c.Change != "" {
		s += "; to change that: " + c.Change
	}
	return s
}
