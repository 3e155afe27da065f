package simulated

import (
	"sync"
	"time"

	"benchwarden/instruments/scpi"
)

// watchdog is a supply's communication watchdog: it switches the output off when no message has come for as long as it was told,
// on whichever connection. SCPI-99 has no command for it; OUTPut:SILence is ours.
type watchdog struct {
	mu    sync.Mutex
	after time.Duration // 0: no watchdog
	timer *time.Timer
}

// longestSilence is the most that the watchdog can be set to, in seconds.
const longestSilence = 60

func (s *supply) watched() {
	w := &watchdog{}
	w.timer = time.AfterFunc(time.Hour, s.off)
	w.timer.Stop()
	s.setting("OUTPut:SILence[:TIME]", scpi.Range{Unit: "S", Max: longestSilence}, w.seconds, func(x float64) error {
		if !s.harm.acts(watchdogNotAccepted) {
			w.set(time.Duration(x * float64(time.Second)))
		}
		return nil
	})
	talk := s.instrument.talk
	s.instrument.talk = func() conversation { return heard{talk(), w} }
	reset := s.Reset
	s.Reset = func() {
		reset()
		w.set(0)
	}
}

func (w *watchdog) seconds() float64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.after.Seconds()
}

func (w *watchdog) set(after time.Duration) {
	w.mu.Lock()
	w.after = after
	w.mu.Unlock()
	w.fed()
}

func (w *watchdog) fed() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.after == 0 {
		w.timer.Stop()
		return
	}
	w.timer.Reset(w.after)
}

// heard is a conversation whose messages feed the watchdog.
type heard struct {
	conversation
	watchdog *watchdog
}

func (h heard) Execute(message []byte) []byte {
	h.watchdog.fed()
	return h.conversation.Execute(message)
}
