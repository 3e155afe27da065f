package station

import (
	"context"
	"runtime"
)

// Slot is the right to compute, shared by all benches of a process: one fewer than there are processors, so that one is
// always free for the wardens.
type Slot chan struct{}

// NewSlot returns the process's computing slots.
func NewSlot() Slot { return make(Slot, max(1, runtime.GOMAXPROCS(0)-1)) }

// Take waits for a slot.
func (s Slot) Take(ctx context.Context) error {
	select {
	case s <- struct{}{}:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// Give gives the slot back.
func (s Slot) Give() { <-s }
