// Package station puts one bench together: the bench as wired, its warden, its hands desk, the script engine and the
// journal, for a daemon, for a single run and for the demo.
package station

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
	"benchwarden/daemon/keeper"
	"benchwarden/daemon/warden"
)

var (
	// ErrBusy means that a run is going on on this bench.
	ErrBusy = errors.New("the bench is busy")
	// ErrOrder means that an order names what is not there, or what does not fit together: nothing was touched.
	ErrOrder = errors.New("the order cannot be run")
	// ErrIdle means that no run is going on.
	ErrIdle = errors.New("no run is going on")
)

// Config says where a station finds its files and how it works.
type Config struct {
	File      *bench.File
	Families  []string // folders
	Dialects  []string
	Scripts   []string
	StateDir  string
	Journals  string // folder of the journals
	Version   string
	Countdown time.Duration // between the act and the energising
	ActWithin time.Duration // an act that is not done by then is refused
	Slot      Slot
	Hub       *event.Hub
	Jobs      Jobs // nil: runs belong to no job and stay in their journals
	// Keeper makes the bench safe when this process cannot; nil in a process that energises nothing, or is the keeper itself.
	Keeper Keeper
	// Owner is what this process is to those who wait for the bench: "daemon", "make-safe", "keeper".
	Owner string
}

// Keeper is the second process, as a station sees it.
type Keeper interface {
	Beat()        // the bench's warden lives
	Farewell()    // the bench needs no keeper any more
	Alive() error // why nobody keeps it
}

// Station is one bench with everything that belongs to it.
type Station struct {
	cfg    Config
	bench  *bench.Bench
	warden *warden.Warden
	desk   *hands.Desk
	lock   *keeper.Lock
	freeIn func(dir string) (bytes uint64, known bool) // room on the disk under a folder

	staffed atomic.Bool   // somebody can be asked: the station runs
	left    chan struct{} // nobody is at the bench any more
	leave   func()

	mu      sync.Mutex
	running *Running
	fitted  map[string]map[string]int // stand-ins by unit
	places  map[string]string         // test point by probe
	closing bool
}

// Status is what a bench is doing now.
type Status struct {
	Bench     string           `json:"bench"`
	Title     string           `json:"title,omitempty"`
	Run       string           `json:"run,omitempty"`
	Trip      *event.Trip      `json:"trip,omitempty"`
	Safety    event.Safety     `json:"safety"`       // how the latest make-safe left the outputs
	On        []string         `json:"on,omitempty"` // supplies that are energised since, with what they are set to
	Bus       event.Bus        `json:"bus"`
	Usable    string           `json:"usable,omitempty"` // why not, when it is not
	Holds     []string         `json:"holds,omitempty"`
	Simulated bool             `json:"simulated"`
	Who       []event.Identity `json:"instruments"`
	Missing   []string         `json:"missing,omitempty"`
}

// wardenTick is the warden's own period for what does not arrive.
const wardenTick = 20 * time.Millisecond

// lockWithin is how long another process may go on having the bench: a keeper or a make-safe that has not ended.
const lockWithin = 30 * time.Second

// Open waits for the bench's lock, reaches the bench, and brings it into its safe state before it returns.
func Open(ctx context.Context, cfg Config) (*Station, error) {
	waiting, cancel := context.WithTimeout(ctx, lockWithin)
	defer cancel()
	lock, err := keeper.Acquire(waiting, cmp.Or(cfg.StateDir, cfg.File.State.Dir), cfg.File.Bench, cfg.Owner)
	if err != nil {
		return nil, err
	}
	s, err := open(ctx, cfg)
	if err != nil {
		return nil, errors.Join(err, lock.Release())
	}
	s.lock = lock
	return s, nil
}

func open(ctx context.Context, cfg Config) (*Station, error) {
	s := &Station{cfg: cfg, freeIn: freeIn, fitted: map[string]map[string]int{}, places: map[string]string{}, left: make(chan struct{})}
	s.leave = sync.OnceFunc(func() { close(s.left) })
	s.desk = hands.New(hands.Config{
		Bench: cfg.File.Bench, Run: s.run, Sink: cfg.Hub, Countdown: cfg.Countdown, ActWithin: cfg.ActWithin, Live: s.live,
		Warner: warner{s}, Over: s.timeOver, ActBy: cfg.File.Act.By, Waiting: s.waiting,
	})
	watch := warden.Config{Bench: cfg.File.Bench, Sink: cfg.Hub, MakeSafe: s.tripped, Tick: wardenTick}
	if cfg.Keeper != nil {
		watch.Beat = cfg.Keeper.Beat
	}
	s.warden = warden.New(watch)
	b, err := bench.Open(ctx, cfg.File, bench.Config{
		Dialects: cfg.Dialects, StateDir: cfg.StateDir, Sink: cfg.Hub, Guard: guard{s.warden, cfg.Keeper}, Consent: consent{s.desk}, Hand: byHand{s},
	})
	if err != nil {
		return nil, err
	}
	s.bench = b
	s.tellBefore()
	if trip := b.StandingTrip(); trip != nil {
		s.warden.Stand(*trip)
	}
	for _, p := range cfg.File.Probes {
		if p.At != "" && !p.Moves() {
			s.places[p.Name] = p.At
		}
	}
	return s, nil
}

// Name is the bench's name.
func (s *Station) Name() string { return s.cfg.File.Bench }

// Desk is the bench's hands desk.
func (s *Station) Desk() *hands.Desk { return s.desk }

// Console is the terminal that counts as being at the bench.
func (s *Station) Console() string { return s.cfg.File.Act.Console }

// Events is where everything that happens at the bench is told.
func (s *Station) Events() *event.Hub { return s.cfg.Hub }

// Status says what the bench is doing now.
func (s *Station) Status() Status {
	st := Status{
		Bench: s.Name(), Title: s.cfg.File.Title, Run: s.run(), Trip: s.warden.Tripped(), Safety: s.bench.LastSafe().Safety,
		Bus: s.bench.Down().Event(), Holds: s.desk.Holds(), Simulated: s.bench.Simulated(), Who: s.bench.Identities(),
	}
	if err := s.bench.Usable(); err != nil {
		st.Usable = err.Error()
	}
	for _, role := range []string{bench.Bus, bench.Control, bench.Reference, bench.Load} {
		if on, set := s.bench.Energised(role); on {
			st.On = append(st.On, fmt.Sprintf("%s at %v", role, set))
		}
	}
	for _, err := range s.bench.Missing() {
		st.Missing = append(st.Missing, err.Error())
	}
	return st
}

// run names the run that is going on.
func (s *Station) run() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.running == nil {
		return ""
	}
	return s.running.Run
}

// live are the live voltages of the bench with their age, for prompts.
func (s *Station) live() []string {
	var lines []string
	for _, name := range []string{"bus_meter.voltage", "bus.voltage", "control.voltage"} {
		if r, ok := s.bench.Last(name); ok && r.Err == nil {
			lines = append(lines, fmt.Sprintf("%s %v, %.1f s old", name, r.Value, time.Since(r.Asked).Seconds()))
		}
	}
	return append(lines, "prove it before you touch")
}

// closeWithin is how long Run waits for the bus to come down when it ends, so that Halls and control supply can go off.
const closeWithin = 8 * time.Second

// Run polls the bench and supervises it until ctx ends. Whatever ends it, the run that is going on is stopped and the bench
// is made safe before Run returns; the error tells of both.
func (s *Station) Run(ctx context.Context) error {
	inner, stopInner := context.WithCancel(context.WithoutCancel(ctx))
	defer stopInner()
	group, gctx := errgroup.WithContext(inner)
	s.staffed.Store(true)
	group.Go(func() error { return s.bench.Run(gctx) })
	group.Go(func() error { return s.warden.Run(gctx) })
	group.Go(func() error { return s.watchPedal(gctx) })
	if s.cfg.File.Person == "simulated" && s.bench.Simulated() {
		group.Go(func() error { return s.simulatePerson(gctx) })
	}
	select {
	case <-ctx.Done():
	case <-gctx.Done(): // a part failed
	}
	safeErr := s.close(inner)
	stopInner()
	err := errors.Join(group.Wait(), safeErr, s.bench.Close())
	if s.cfg.Keeper != nil {
		s.cfg.Keeper.Farewell()
	}
	return errors.Join(err, s.lock.Release())
}

// close stops the run and makes the bench safe; the polls still run.
func (s *Station) close(ctx context.Context) error {
	s.mu.Lock()
	s.closing = true
	running := s.running
	s.mu.Unlock()
	if running != nil {
		s.halt(errors.New("the daemon is being stopped"))
		<-running.done
	}
	s.desk.Withdraw()
	result := s.bench.MakeSafe(ctx, "the daemon is being stopped")
	if s.bench.Down().State == event.Live {
		if _, err := s.bench.AwaitDown(ctx, closeWithin); err != nil {
			return err
		}
	}
	if !result.Confirmed {
		return fmt.Errorf("bench %s: %w", s.Name(), bench.ErrNotSafe)
	}
	return nil
}

// MakeSafe stops the run that is going on and makes the bench safe.
func (s *Station) MakeSafe(ctx context.Context, by string) event.Safety {
	s.desk.Withdraw()
	s.stopRun(fmt.Errorf("%w %s, who asked for make-safe", errPerson, by))
	return s.bench.MakeSafe(ctx, by+" asked for it").Safety
}

// Stop ends the run that is going on by a person's wish. It is no trip, so nobody has to reset it: the bench is made safe at once,
// whatever the script is doing, the act at the bench is used up, and only a new run with an act of its own energises again.
func (s *Station) Stop(by string) error {
	if !s.halt(fmt.Errorf("%w %s", errPerson, by)) {
		return ErrIdle
	}
	return nil
}

// halt stops the run that is going on and starts to make the bench safe without waiting for the script; the run's end waits for the
// rest. False: no run is going on.
func (s *Station) halt(cause error) bool {
	s.mu.Lock()
	running := s.running
	if running != nil {
		running.making.Add(1)
	}
	s.mu.Unlock()
	if running == nil {
		return false
	}
	running.stop(cause)
	s.desk.Withdraw()
	rest := s.bench.StartSafe(cause.Error(), "")
	go func() {
		defer running.making.Done()
		rest(context.Background(), cause.Error())
	}()
	return true
}

func (s *Station) stopRun(cause error) bool {
	s.mu.Lock()
	running := s.running
	s.mu.Unlock()
	if running == nil {
		return false
	}
	running.stop(cause)
	return true
}

// KeeperLost trips what runs: without a keeper nobody bounds how long a bus can stay up when this process dies.
func (s *Station) KeeperLost(err error) {
	if s.run() != "" {
		s.warden.Trip(event.Trip{Cause: event.KeeperLost, Text: err.Error(),
			Do: "start the program again; where it cannot start a second process, look at the computer's memory and limits"})
	}
}

// Reset lifts a trip by a person's name. It energises nothing.
func (s *Station) Reset(by string) error {
	if err := s.warden.Reset(by); err != nil {
		return err
	}
	return s.bench.NoteTrip(nil)
}

// tripped is the warden's make-safe.
func (s *Station) tripped(role string) (rest func(event.Trip)) {
	makeSafe := s.bench.StartSafe("the warden has tripped", role)
	return func(trip event.Trip) {
		s.desk.Withdraw()
		s.stopRun(&tripError{trip})
		makeSafe(context.Background(), trip.Text)
		if err := s.bench.NoteTrip(&trip); err != nil {
			s.emit(event.Note{Text: "the trip could not be kept over a restart: " + err.Error()})
		}
	}
}

// timeOver brings down what is energised beyond the announced time.
func (s *Station) timeOver() {
	for _, role := range []string{bench.Bus, bench.Control} {
		if on, _ := s.bench.Energised(role); on {
			const why = "the announced time is over"
			s.stopRun(fmt.Errorf("%s and %s is still on", why, role))
			s.bench.MakeSafe(context.Background(), why)
			return
		}
	}
}

func (s *Station) emit(b event.Body) {
	s.cfg.Hub.Emit(event.Event{At: time.Now(), Bench: s.Name(), Run: s.run(), Body: b})
}
