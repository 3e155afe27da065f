package job

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
)

// Tag writes the text for the tag that hangs on the drive: whose it is, and what must not stay in it.
func Tag(w io.Writer, s State) error {
	var b strings.Builder
	fmt.Fprintf(&b, "JOB   %s\nUNIT  %s (%s)\n", s.ID, s.Unit, s.Family)
	if s.Order != "" {
		fmt.Fprintf(&b, "ORDER %s\n", s.Order)
	}
	if len(s.StandIns) == 0 {
		b.WriteString("No stand-ins are counted in.\n")
	} else {
		b.WriteString("DO NOT POWER FOR USE. STAND-INS FITTED:\n")
		total := 0
		for _, name := range slices.Sorted(maps.Keys(s.StandIns)) {
			fmt.Fprintf(&b, "  [ ] %2d  %s\n", s.StandIns[name], strings.ReplaceAll(name, "_", " "))
			total += s.StandIns[name]
		}
		fmt.Fprintf(&b, "  in all %d: take out and count before power devices are fitted.\n", total)
	}
	switch {
	case s.done(fitting):
		b.WriteString("Power devices fitted: no Hall simulation, no stand-ins.\n")
	case s.done(released):
		b.WriteString("Released to fit power devices.\n")
	default:
		b.WriteString("NOT RELEASED: do not fit power devices.\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}
