package link

import (
	"slices"
	"sync"
)

// Priority says who goes first when several wait for one instrument.
type Priority int

const (
	Script   Priority = iota // a test script
	Warden                   // the supervision's polling
	MakeSafe                 // verifying that everything is safe
	levels
)

func (p Priority) String() string {
	switch p {
	case Script:
		return "script"
	case Warden:
		return "warden"
	case MakeSafe:
		return "make-safe"
	}
	return "unknown priority"
}

// turn lets one holder at a time use the connection. Whoever waits, waits on a
// channel: a mutex held over an exchange could not be given up on.
type turn struct {
	mu      sync.Mutex
	held    bool
	waiting [levels][]chan struct{} // in order of arrival; closed when the turn is theirs
}

// take waits for the turn; false says that one of the channels came first.
func (t *turn) take(p Priority, done, closed <-chan struct{}) bool {
	t.mu.Lock()
	if !t.held {
		t.held = true
		t.mu.Unlock()
		return true
	}
	mine := make(chan struct{})
	t.waiting[p] = append(t.waiting[p], mine)
	t.mu.Unlock()

	select {
	case <-mine:
		return true
	case <-done:
	case <-closed:
	}
	t.mu.Lock()
	i := slices.Index(t.waiting[p], mine)
	if i >= 0 {
		t.waiting[p] = slices.Delete(t.waiting[p], i, i+1)
	}
	t.mu.Unlock()
	if i < 0 { // it was given to us while we gave up
		t.give()
	}
	return false
}

// takeFree takes the turn if nobody has it.
func (t *turn) takeFree() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	free := !t.held
	t.held = t.held || free
	return free
}

// give hands the turn to the longest waiting of the highest priority.
func (t *turn) give() {
	t.mu.Lock()
	defer t.mu.Unlock()
	for p := levels - 1; p >= 0; p-- {
		if len(t.waiting[p]) > 0 {
			next := t.waiting[p][0]
			t.waiting[p] = slices.Delete(t.waiting[p], 0, 1)
			close(next)
			return
		}
	}
	t.held = false
}
