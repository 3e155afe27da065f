package job

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/daemon/record"
	"benchwarden/instruments/quantity"
)

// Part is a run that was cut off, as another one may go on with it.
type Part struct {
	Run       string
	Part      int // 1 for the first
	Done      quantity.Seconds
	LastHeard time.Time
}

// CutOff gives a job's latest run of a script as a part to go on with. There is none when that run came to its end, or when
// something was replaced after it: a new part in the drive has not seen the time before.
func (d *Desk) CutOff(ctx context.Context, id, script string) (Part, error) {
	j, err := d.book.Job(ctx, id)
	if err != nil {
		return Part{}, err
	}
	runs, err := d.book.Runs(ctx, j.ID)
	if err != nil {
		return Part{}, err
	}
	name := strings.TrimSuffix(filepath.Base(script), ".star")
	runs = slices.DeleteFunc(runs, func(h record.Head) bool { return h.Script != name })
	if len(runs) == 0 {
		return Part{}, fmt.Errorf("job %s has no run of %s to continue: run it without --continue", j.ID, name)
	}
	latest := runs[len(runs)-1]
	if latest.Outcome != record.Interrupted {
		return Part{}, fmt.Errorf("the latest run of %s for job %s, %s, was not cut off: it ended %s; run it anew, without --continue", name, j.ID, latest.Name, latest.Outcome)
	}
	entries, err := d.book.Entries(ctx, j.ID)
	if err != nil {
		return Part{}, err
	}
	for _, e := range entries {
		if e.N > latest.Seen && e.Kind == Replaced {
			return Part{}, fmt.Errorf("something was replaced in job %s after run %s was cut off: run %s anew, without --continue", j.ID, latest.Name, name)
		}
	}
	_, events, err := d.book.Run(ctx, latest.Name)
	if err != nil {
		return Part{}, err
	}
	return partOf(latest.Name, events), nil
}

// partOf reads from a run's events which part it was, how far it came, and when it was last heard of: what was written later
// about its having been cut off does not count.
func partOf(run string, events []event.Event) Part {
	p := Part{Run: run, Part: 1}
	for _, e := range events {
		switch b := e.Body.(type) {
		case event.Continued:
			p.Part, p.Done = b.Part, max(p.Done, b.Done)
		case event.Progress:
			p.Done = max(p.Done, b.Done)
		case event.RunEnded:
			continue
		}
		p.LastHeard = e.At
	}
	return p
}
