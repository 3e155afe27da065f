package station

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"benchwarden/daemon/event"
)

// mindedSlot is the computing slot of one script; it remembers since when the script has held it. A script gives it back every few
// thousand steps and whenever it waits: one that keeps it answers no more.
type mindedSlot struct {
	Slot
	taken atomic.Pointer[time.Time] // nil while it is not held
}

func (s *mindedSlot) Take(ctx context.Context) error {
	err := s.Slot.Take(ctx)
	if err == nil {
		now := time.Now()
		s.taken.Store(&now)
	}
	return err
}

func (s *mindedSlot) Give() {
	s.taken.Store(nil)
	s.Slot.Give()
}

// held is for how long the script has kept the slot.
func (s *mindedSlot) held() time.Duration {
	taken := s.taken.Load()
	if taken == nil {
		return 0
	}
	return time.Since(*taken)
}

const (
	// silentAfter is for how long a script may compute without giving the processor back (common practice, no source).
	silentAfter = 10 * time.Second
	// least is the room on the disk below which nothing is run: an hour's journal of a bench takes some megabytes.
	least = 64 << 20
	// mindEvery is how often both are looked at.
	mindEvery = 500 * time.Millisecond
)

// mind trips on a script that stopped answering and on a disk that is filling up, until ctx ends.
func (s *Station) mind(ctx context.Context, slot *mindedSlot) {
	ticker := time.NewTicker(mindEvery)
	defer ticker.Stop()
	for {
		select {
		case <-ticker.C:
		case <-ctx.Done():
			return
		}
		if held := slot.held(); held > silentAfter {
			s.warden.Trip(event.Trip{Cause: event.ScriptSilent,
				Text: fmt.Sprintf("the script has not answered for %.0f s, the limit is %v (%s)", held.Seconds(), silentAfter, "every run"),
				Do:   "the script computes without an end, or this computer is far too busy: look at the step that was told last, mend the script, then reset"})
		}
		if err := s.room(); err != nil {
			s.warden.Trip(event.Trip{Cause: event.DiskFull, Text: err.Error(), Do: "make room on that disk, then reset"})
		}
	}
}

// room says whether the disks of the journals and of the state file have room left.
func (s *Station) room() error {
	var errs []error
	for _, dir := range []string{s.cfg.Journals, cmp.Or(s.cfg.StateDir, s.cfg.File.State.Dir)} {
		if free, known := s.freeIn(dir); known && free < least {
			errs = append(errs, fmt.Errorf("the disk under %s has %d MB left, and %d MB are needed so that nothing measured is lost", dir, free>>20, least>>20))
		}
	}
	return errors.Join(errs...)
}
