package record

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"benchwarden/daemon/event"
)

// Run is what a journal tells.
type Run struct {
	Events      []event.Event
	Interrupted bool // the journal has no end: the run was cut off after the last event
	Torn        int  // bytes of a last line that was cut off in the middle
}

// Read reads a journal back. A last line that was cut off is left out and counted; any other bad line is an error that
// names it, beside everything before it.
func Read(path string) (Run, error) {
	f, err := os.Open(path)
	if err != nil {
		return Run{}, fmt.Errorf("journal: %w", err)
	}
	defer f.Close()
	return read(path, f)
}

func read(path string, from io.Reader) (Run, error) {
	run := Run{Interrupted: true}
	r := bufio.NewReaderSize(from, 1<<16)
	for n := 1; ; n++ {
		line, err := r.ReadBytes('\n')
		if errors.Is(err, io.EOF) {
			run.Torn = len(line)
			return run, nil
		}
		if err != nil {
			return run, fmt.Errorf("journal: %w", err)
		}
		var e event.Event
		if err := json.Unmarshal(line, &e); err != nil {
			return run, fmt.Errorf("%s:%d: %w", path, n, err)
		}
		if !run.Interrupted {
			return run, fmt.Errorf("%s:%d: a %s event after the run's end", path, n, e.Kind())
		}
		run.Events = append(run.Events, e)
		_, ended := e.Body.(event.RunEnded)
		run.Interrupted = !ended
	}
}
