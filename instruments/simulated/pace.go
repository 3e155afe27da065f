package simulated

import (
	"context"
	"sync"
	"time"
)

// How long the instruments take, at pace 1 (practice: a query 5 to 50 ms on a network, less for the simulated ones so that
// a demo is not all waiting).
const (
	messageTime     = 2 * time.Millisecond
	switchOnTime    = 30 * time.Millisecond // of a supply, from the command to the output
	readingTime     = 20 * time.Millisecond // of a meter
	supplyReadTime  = 4 * time.Millisecond
	contactTime     = 5 * time.Millisecond
	turnTime        = 40 * time.Millisecond  // a knob is turned a little
	handTime        = 300 * time.Millisecond // the key is turned, the pedal pressed
	triggerLookTime = 2 * time.Millisecond
)

// pace stretches those times; 0 leaves them out.
type pace float64

func (p pace) of(d time.Duration) time.Duration { return time.Duration(float64(p) * float64(d)) }

// wait is false when ctx ended first.
func wait(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// after is closed when d has passed; nil for no time at all.
func after(d time.Duration) <-chan struct{} {
	if d <= 0 {
		return nil
	}
	done := make(chan struct{})
	time.AfterFunc(d, func() { close(done) })
	return done
}

// operations are what an instrument is busy with beyond the command that began it: what *OPC? waits for.
type operations struct {
	mu   sync.Mutex
	n    int
	idle chan struct{}
}

// begin returns the end of an operation; it may be called more than once.
func (o *operations) begin() (end func()) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.n == 0 {
		o.idle = make(chan struct{})
	}
	o.n++
	return sync.OnceFunc(func() {
		o.mu.Lock()
		defer o.mu.Unlock()
		if o.n--; o.n == 0 {
			close(o.idle)
		}
	})
}

// pending is nil or closed when nothing is under way.
func (o *operations) pending() <-chan struct{} {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.idle
}

// later lets act happen after d, whatever becomes of the connection that asked for it; done is closed then. With no time it
// happens at once and done is nil.
func (o *operations) later(d time.Duration, act func()) (done <-chan struct{}) {
	if d <= 0 {
		act()
		return nil
	}
	end, over := o.begin(), make(chan struct{})
	time.AfterFunc(d, func() {
		act()
		end()
		close(over)
	})
	return over
}
