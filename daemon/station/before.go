package station

import (
	"fmt"
	"strings"

	"benchwarden/daemon/event"
	"benchwarden/daemon/record"
)

// tellBefore names the run that the process before this one left in the middle, ends its journal, and says what was on then.
func (s *Station) tellBefore() {
	before, known, err := s.bench.Before()
	if err != nil {
		s.emit(event.Note{Text: err.Error()})
		return
	}
	if !known || before.Run == "" {
		return
	}
	why := fmt.Sprintf("the program that ran it, process %d, ended in the middle of it; the bench was made safe by %s", before.Process, s.cfg.Owner)
	done, last, err := record.Interrupt(s.cfg.Journals, before.Run, s.Name(), why, ExitBroken)
	if err != nil {
		s.emit(event.Note{Text: fmt.Sprintf("run %s was interrupted, and its journal cannot be ended: %v", before.Run, err)})
		return
	}
	if !done {
		return
	}
	text := fmt.Sprintf("run %s on unit %s was interrupted: %s", before.Run, before.Unit, why)
	if !last.IsZero() {
		text += fmt.Sprintf("; it was last heard of at %s", last.Format("15:04:05.000"))
	}
	if len(before.On) > 0 {
		text += "; on, or about to be: " + strings.Join(before.On, ", ")
	}
	s.emit(event.Note{Text: text})
}
