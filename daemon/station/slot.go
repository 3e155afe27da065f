package station

import (
	"context"
	"runtime"
)

// Slot is the right to compute, shared by all benches of a process: one fewer than there are processors, so that one is
// always free for the wardens.
type Slot chan struct{}

// leastThreads is how many threads the runtime may use at once, however few processors there are: the system shares them among
// threads sooner than the runtime among goroutines, which lets one compute for 10 ms.
const leastThreads = 4

// NewSlot returns the process's computing slots, has its collector run seldom, and lets the process's threads run soon when they have
// something to do.
func NewSlot() Slot {
	if runtime.GOMAXPROCS(0) < leastThreads {
		runtime.GOMAXPROCS(leastThreads)
	}
	holdFloor()
	runSoon()
	return make(Slot, max(1, runtime.NumCPU()-1))
}

// Take waits for a slot.
func (s Slot) Take(ctx context.Context) error {
	select {
	case s <- struct{}{}:
		keepWatch()
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// keepWatch wakes one of the runtime's threads, which finds nothing to do and so waits for the network. A thread that comes from there
// with something to do leaves nobody behind: while it computes, answers would wait for the end of that.
func keepWatch() { go func() {}() }

// Give gives the slot back.
func (s Slot) Give() { <-s }
