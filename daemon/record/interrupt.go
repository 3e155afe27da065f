package record

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"benchwarden/daemon/event"
)

// Interrupt ends the journal of a run that was cut off, so that it says so itself. It does nothing where the journal has its
// end, or there is none; last is when the run was last heard of.
func Interrupt(folder, run, bench, why string, exit int) (done bool, last time.Time, err error) {
	path := filepath.Join(folder, run+".jsonl")
	kept, err := Read(path)
	if errors.Is(err, fs.ErrNotExist) {
		return false, last, nil
	}
	if err != nil || !kept.Interrupted {
		return false, last, err
	}
	if n := len(kept.Events); n > 0 {
		last = kept.Events[n-1].At
	}
	reasons := []string{why}
	if kept.Torn > 0 {
		reasons = append(reasons, fmt.Sprintf("the %d bytes of a last line that was cut off in the middle are left out", kept.Torn))
	}
	now := time.Now()
	if now.Before(last) {
		now = last
		reasons = append(reasons, "the computer's clock was set back since: when this was found is not known")
	}
	line, err := json.Marshal(event.Event{At: now, Bench: bench, Run: run, Body: event.RunEnded{Outcome: Interrupted, Exit: exit, Reasons: reasons}})
	if err != nil {
		return false, last, fmt.Errorf("journal %s: %w", path, err)
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return false, last, fmt.Errorf("journal: %w", err)
	}
	size, err := f.Seek(0, 2)
	if err == nil {
		_, err = f.WriteAt(append(line, '\n'), size-int64(kept.Torn))
	}
	if end := size - int64(kept.Torn) + int64(len(line)) + 1; err == nil && end < size {
		err = f.Truncate(end)
	}
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return false, last, fmt.Errorf("journal %s: %w", path, err)
	}
	return true, last, nil
}
