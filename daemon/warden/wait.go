package warden

import (
	"sync"
	"time"
)

// waits are a run's waits for people that its run time leaves out.
type waits struct {
	open  int
	since time.Time // the first of those that are open began
	past  time.Duration
}

func (s *waits) until(now time.Time) time.Duration {
	switch {
	case s == nil:
		return 0
	case s.open == 0:
		return s.past
	}
	return s.past + now.Sub(s.since)
}

// Wait lets the clock of the run time stand until over is called: the run waits for a person. No other limit knows of it. Whoever calls
// has seen that the wait costs nothing, since the bus is down, or ends by itself, since the announced time does.
func (w *Warden) Wait() (over func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	s := w.waits
	if s == nil {
		return func() {}
	}
	if s.open == 0 {
		s.since = time.Now()
	}
	s.open++
	return sync.OnceFunc(func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		s.past = s.until(time.Now())
		s.open--
		s.since = time.Now()
	})
}
