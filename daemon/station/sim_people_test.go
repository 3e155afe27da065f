package station

import (
	"context"
	"errors"
	"fmt"
	"time"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
	"benchwarden/instruments/quantity"
)

// The desk of the simulation: short, so that a seed costs little.
const (
	simCountdown = 100*time.Millisecond + 19*time.Microsecond
	simActWithin = 2 * time.Second
	simLongest   = 30 * time.Second
)

// staff puts the real hands desk and the real station's stops beside the warden.
func (s *sim) staff() {
	s.station.warden = s.warden
	s.station.running = &Running{Run: "run-1", stop: s.stop, done: make(chan struct{})}
	s.asked = make(chan event.Prompt, 64)
	s.slot = &mindedSlot{Slot: make(Slot, 1)}
	s.limits = map[string]float64{}
	s.station.desk = hands.New(hands.Config{Bench: "sim", Run: func() string { return "run-1" }, Sink: s, Countdown: simCountdown, ActWithin: simActWithin,
		Live: func() []string { return nil }, Over: func() {
			s.bar("the announced time is over")
			s.station.timeOver()
		}, Waiting: s.station.waiting})
}

// act announces what the script energises.
func (s *sim) act() error {
	longest := simLongest
	if s.has("script", waits) {
		longest = 6 * time.Second
	}
	volts := map[string]quantity.Volts{bench.Bus: 90}
	if s.sides != nil {
		volts[bench.Control] = quantity.Volts(s.mostControl)
	}
	err := s.station.desk.Act(s.ctx, hands.Announced{Volts: volts, Longest: longest})
	if err == nil && (s.has("person", tooLate, never) || s.has("pedal", rests)) {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.breaks("P10: an act that came too late, or never, or a foot that rests on the pedal, allowed an energising")
	}
	if err != nil {
		s.bar("nobody allowed it in time")
	}
	return err
}

// person answers the desk's prompts as the seed's person does.
func (s *sim) person(ctx context.Context) {
	own := s.pace("person", 0)
	for {
		var p event.Prompt
		select {
		case p = <-s.asked:
		case <-ctx.Done():
			return
		}
		after := 40*time.Millisecond + time.Duration(own.Int64N(int64(200*time.Millisecond)))
		if s.pedal.kind != "" {
			after += s.period + 50*time.Millisecond // a press counts once the pedal was seen released while the prompt stood
		}
		switch {
		case s.has("person", never):
			continue
		case s.has("person", tooLate):
			after += simActWithin
		case s.has("person", nonsense):
			elsewhere := s.station.desk.Answer(p.ID, hands.Answer{By: "Eve", Text: "\x00 yes \xff"})
			nobody := s.station.desk.Answer("p0", hands.Answer{By: "Eve", AtBench: true})
			if !errors.Is(elsewhere, hands.ErrNotAtBench) || !errors.Is(nobody, hands.ErrNoPrompt) {
				s.mu.Lock()
				s.breaks("P10: an answer from elsewhere, or to no prompt, was taken: %v, %v", elsewhere, nobody)
				s.mu.Unlock()
			}
		}
		select {
		case <-time.After(after):
		case <-ctx.Done():
			return
		}
		if s.pedal.kind != "" {
			s.treads(ctx)
			continue
		}
		s.permit()
		err := s.station.desk.Answer(p.ID, hands.Answer{By: "Ada", Text: "yes", AtBench: true})
		if err != nil {
			s.bar("nobody allowed it in time")
		}
		if s.has("person", nonsense) && err == nil && s.station.desk.Answer(p.ID, hands.Answer{By: "Ada", Text: "yes", AtBench: true}) == nil {
			s.mu.Lock()
			s.breaks("P10: a prompt took two answers")
			s.mu.Unlock()
		}
	}
}

// permit is somebody's act at the bench; a stop that came first has ended it.
func (s *sim) permit() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.permitted = time.Since(s.stopped) > time.Minute
}

// isStopped has somebody stop the run: from the page or the API, with make-safe, or with a signal to the program.
func (s *sim) isStopped(odd float64) {
	s.noteStop("a person's stop")
	switch {
	case odd < 0.5:
		_ = s.station.Stop("Ada")
	case odd < 0.75:
		s.station.MakeSafe(context.Background(), "Ada")
	default:
		s.station.halt(errors.New("the daemon is being stopped"))
	}
	s.usedUp()
}

// hands are in the bench for a while.
func (s *sim) hands(odd float64) {
	s.noteStop("a hold")
	s.station.desk.Hold("Ada")
	_ = s.station.Stop("Ada")
	s.usedUp()
	<-time.After(time.Duration(odd * float64(3*time.Second)))
	if err := s.station.desk.Lift("Eve"); err == nil {
		s.mu.Lock()
		s.breaks("P10: somebody else lifted a hold")
		s.mu.Unlock()
	}
	_ = s.station.desk.Lift("Ada")
	s.usedUp()
}

func (s *sim) noteStop(why string) {
	s.bar(why)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stopped = time.Now()
}

// usedUp holds the bench to what follows a stop: the act at the bench is used up.
func (s *sim) usedUp() {
	if _, stands := s.station.desk.Until(); stands {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.breaks("P10: an act at the bench outlives a stop")
	}
}

// slack is what slow lines cost a trip and a make-safe.
func (s *sim) slack() time.Duration {
	if s.byteTime == 0 {
		return 0
	}
	return s.period + 400*time.Millisecond
}

// offWithin is how long the supply may stay on after a stop: an ON that is on its way, and the second pass that undoes it.
const offWithin = 1500 * time.Millisecond

// watchPeople holds the bench to what it owes to stops, scripts that hang and full disks; it needs the world's lock.
func (s *sim) watchPeople() {
	// An off that is lost, ignored or stuck behind an answer that does not come is told as NOT SAFE instead.
	if !s.on || s.has("bus", ignoresOff, saysOff, dead, lostCommand, dropsBefore, dropsWithin, lateAnswer) || s.loseOne != 0 {
		return
	}
	for _, owed := range []struct {
		since  time.Time
		within time.Duration
		what   string
	}{
		{s.stopped, offWithin, "P1: a stop"},
		{s.hung, silentAfter + 2*mindEvery + offWithin, "P2: a script that hangs"},
		{s.full, 2*mindEvery + offWithin, "P7: a full disk"},
	} {
		if !owed.since.IsZero() && time.Since(owed.since) > owed.within+s.slack() {
			s.breaks("%s, and the supply is still on after %v (%s)", owed.what, time.Since(owed.since), s.why)
			s.stopped, s.hung, s.full = time.Time{}, time.Time{}, time.Time{}
		}
	}
}

// again starts another run after one that a person ended: it needs an act of its own.
func (s *sim) again(family *drive.Family, file *bench.File) {
	s.mu.Lock()
	was := s.why
	s.full = time.Time{}
	s.mu.Unlock()
	if s.stopped.IsZero() || s.warden.Tripped() != nil || s.bench.Usable() != nil || len(s.station.desk.Holds()) > 0 {
		return
	}
	if s.warden.Arm("run-2", limitsFor(family, drive.Board, file)) != nil {
		return
	}
	defer s.warden.Disarm()
	ready, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	if s.warden.AwaitReady(ready) != nil || s.bench.Begin(stageOf("run-2", family, drive.Board, "S-1")) != nil {
		return
	}
	err := s.bench.SwitchOn(context.Background(), bench.Output{Role: bench.Bus, Voltage: 10, Current: 0.15})
	if !errors.Is(err, hands.ErrNoAct) && s.warden.Tripped() == nil {
		s.mu.Lock()
		s.breaks("P10: a run after %s was energised, or refused for another reason than a missing act: %v", was, err)
		s.mu.Unlock()
	}
	s.warden.Disarm()
	s.bench.MakeSafe(context.Background(), runEnded)
}

// keep is the trace of what happens.
func (s *sim) keep(format string, args ...any) {
	if !s.keeps && !*tell {
		return
	}
	line := fmt.Sprintf("%13.9f ", time.Since(s.began).Seconds()) + fmt.Sprintf(format, args...) // in order of time when sorted
	if *tell {
		fmt.Println(line)
	}
	s.tmu.Lock()
	s.trace = append(s.trace, line)
	s.tmu.Unlock()
}
