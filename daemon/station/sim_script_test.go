package station

import (
	"context"
	"time"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/warden"
	"benchwarden/instruments/quantity"
)

// hangs is what a script does that never ends, or hears nothing.
func (s *sim) hangs() error {
	switch {
	case s.has("script", computes):
		_ = s.slot.Take(context.Background())
		s.mu.Lock()
		s.hung = time.Now()
		s.mu.Unlock()
		<-time.After(silentAfter + 3*time.Second + 23*time.Microsecond)
		s.slot.Give()
		return context.Cause(s.ctx)
	case s.has("script", waits):
		return s.pause(time.Minute)
	case s.has("script", goesOn):
		return s.goesOn()
	}
	return nil
}

// goesOn is a script that takes no error for an answer and has no ear for its own end.
func (s *sim) goesOn() error {
	for range 20 {
		_ = s.bench.SwitchOn(context.Background(), bench.Output{Role: bench.Bus, Voltage: 30, Current: 0.15})
		_ = s.bench.SetVoltage(context.Background(), bench.Bus, 40)
		<-time.After(180*time.Millisecond + 29*time.Microsecond)
	}
	return context.Cause(s.ctx)
}

// mind is the station's own, for the run that is going on.
func (s *sim) mind(ctx context.Context) {
	select {
	case <-time.After(900*time.Microsecond + 5):
		s.station.mind(ctx, s.slot)
	case <-ctx.Done():
	}
}

// freeIn is the room on the simulated disk.
func (s *sim) freeIn(string) (uint64, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.full.IsZero() {
		return least - 1, true
	}
	return 1 << 40, true
}

// moves changes the limits behind a run that is going on, as a mistake in the program could: what is in force stays.
func (s *sim) moves() {
	s.mu.Lock()
	armed := s.armed
	s.mu.Unlock()
	if !armed {
		return
	}
	_ = s.warden.Arm("run-1", []warden.Limit{
		warden.NewLimit("bus.voltage", warden.High, quantity.Volts(1000).Value(), "moved"),
		warden.NewLimit("bus.voltage", warden.Age, quantity.Seconds(60).Value(), "moved"),
	})
}

// held holds what is in force to what the run began with: a limit may be tightened and go back, and nothing else.
func (s *sim) held(told event.Limits) {
	s.mu.Lock()
	defer s.mu.Unlock()
	first := len(s.limits) == 0
	for _, l := range told.Limits {
		key := l.Quantity + " " + l.Kind
		most, known := s.limits[key]
		switch {
		case first:
			s.limits[key] = l.Value.Number
		case !known || l.Value.Number > most:
			s.breaks("P2: the limit %s was moved to %v while the run went on", key, l.Value)
		}
	}
}
