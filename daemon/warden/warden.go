// Package warden enforces trip limits: the supervision that is not the script (P2).
//
// Readings are fed to it as they arrive; it keeps its own time for what does not arrive. A trip is latched first, then the
// bench is made safe, and only a person's reset lets anything energise again. A script can tighten a limit, never loosen
// it.
package warden

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

var (
	// ErrTripped means that a trip stands; a person has to reset it.
	ErrTripped = errors.New("tripped")
	// ErrNotArmed means that no limits are in force, or that those of this run were used up by a trip.
	ErrNotArmed = errors.New("the warden is not armed")
	// ErrAsleep means that the warden's own loop does not run.
	ErrAsleep = errors.New("the warden's loop does not run")
	// ErrBlind means that a watched quantity has no reading that is fresh enough.
	ErrBlind = errors.New("the warden has no fresh reading")
)

// Config says whom the warden watches for and what it does on a trip.
type Config struct {
	Bench string
	Sink  event.Sink
	// MakeSafe sends the bench its safe state and waits for nothing; role is whose reading was the cause, if one was. Where a reading
	// trips, it runs on that reading's own way, with nobody to be woken and no words to be found first. What it returns does the
	// rest once the trip is latched, in a goroutine of its own, and must come to an end by itself.
	MakeSafe func(role string) (rest func(event.Trip))
	Tick     time.Duration // how often ages are looked at
	// Beat is called by the warden's own loop at each tick, for who minds that it lives; it must not wait. Nil is nobody.
	Beat func()
}

// Warden supervises one bench. Its zero latch is open, but it is not armed: nothing may energise.
type Warden struct {
	cfg   Config
	trips chan event.Trip // latched while the loop does not run
	rests sync.WaitGroup  // make-safes under way

	mu       sync.Mutex
	running  bool        // the loop runs
	due      *event.Trip // just latched; the bench has not been sent its safe state
	run      string
	armedAt  time.Time
	waits    *waits // of this run; nil: not armed
	limits   []*watch
	steps    map[string]steps          // by role
	asked    map[string]time.Time      // when the question of the last good reading was sent, by name
	prior    map[string]sample         // the reading before the last one, by name
	last     map[string]quantity.Value // the last good reading since the limits came into force, by name
	tripped  *event.Trip
	making   int  // make-safes that are to come or have not returned
	spent    bool // a trip has ended what this arming was for
	beat     time.Time
	tightens int
}

// watch is a limit in force with its memory.
type watch struct {
	Limit
	passed  []bool // the last M readings
	reached bool   // of a Collapse: the voltage has been there
	tighten []tightened
}

// New returns a warden that is not armed.
func New(cfg Config) *Warden {
	return &Warden{cfg: cfg, trips: make(chan event.Trip, 1), steps: map[string]steps{}, asked: map[string]time.Time{}, last: map[string]quantity.Value{}, prior: map[string]sample{}}
}

// Run owns the warden's time and every make-safe until ctx ends, then waits for one under way. Whoever latches a trip starts
// make-safe at once, by a goroutine that Run waits for; a trip from before is made safe when Run begins. The loop goes on
// meanwhile: its heartbeat says that the supervision lives.
func (w *Warden) Run(ctx context.Context) error {
	ticker := time.NewTicker(w.cfg.Tick)
	defer ticker.Stop()
	defer w.rests.Wait()
	w.heartbeat(time.Now())
	defer w.heartbeat(time.Time{})
	w.setRunning(true)
	for {
		select {
		case trip := <-w.trips:
			w.rests.Add(1)
			go w.makeSafe(trip)
		case now := <-ticker.C:
			w.heartbeat(now)
			w.judgeTime(now)
			if w.cfg.Beat != nil {
				w.cfg.Beat()
			}
		case <-ctx.Done():
			w.setRunning(false)
			select {
			case trip := <-w.trips:
				w.rests.Add(1)
				go w.makeSafe(trip)
			default:
			}
			return nil
		}
	}
}

func (w *Warden) setRunning(running bool) {
	w.mu.Lock()
	w.running = running
	w.mu.Unlock()
}

// makeSafe is all of it, for a trip that stands.
func (w *Warden) makeSafe(trip event.Trip) {
	role := ""
	if trip.Limit != nil {
		role = roleOf(trip.Limit.Quantity)
	}
	w.finish(w.cfg.MakeSafe(role), trip)
}

// finish does what is left of a make-safe that was counted.
func (w *Warden) finish(rest func(event.Trip), trip event.Trip) {
	defer w.rests.Done()
	rest(trip)
	w.mu.Lock()
	w.making--
	w.mu.Unlock()
}

func (w *Warden) heartbeat(at time.Time) {
	w.mu.Lock()
	w.beat = at
	w.mu.Unlock()
}

// Arm puts limits into force for a run. It is refused while a trip stands, while others are in force, and where a watched reading has no age limit: a
// reading that no longer comes would never trip. What the supplies are set to stays known.
func (w *Warden) Arm(run string, limits []Limit) error {
	var faults []error
	aged := map[string]bool{}
	for _, l := range limits {
		faults = append(faults, l.check())
		aged[l.Quantity] = aged[l.Quantity] || l.Kind == Age
	}
	for _, l := range limits {
		if l.needsAge() && !aged[l.Quantity] {
			faults = append(faults, fmt.Errorf("trip limit %s %s: no limit says how old its readings may be", l.Quantity, l.Kind))
		}
	}
	if err := errors.Join(faults...); err != nil {
		return err
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.tripped != nil {
		return fmt.Errorf("arm for run %s: %w: %s", run, ErrTripped, w.tripped.Text)
	}
	if len(w.limits) > 0 {
		return fmt.Errorf("arm for run %s: the limits of run %s are in force, and none is moved while a run goes on", run, w.run)
	}
	now := time.Now()
	w.run, w.armedAt, w.waits, w.spent = run, now, &waits{}, false
	w.limits = nil
	clear(w.last)
	clear(w.prior)
	for _, l := range limits {
		w.limits = append(w.limits, &watch{Limit: l})
	}
	w.emitLimits(now)
	return nil
}

// Disarm takes the limits out of force; a trip that stands goes on standing.
func (w *Warden) Disarm() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.run, w.limits, w.waits = "", nil, nil
}

// sleepTicks is how many of its ticks the loop may miss before it counts as asleep.
const sleepTicks = 10

// Ready says whether something may be energised: armed and no trip since, the warden's own loop alive, and a fresh reading
// of everything watched.
func (w *Warden) Ready() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := time.Now()
	switch {
	case w.tripped != nil:
		return fmt.Errorf("%w: %s", ErrTripped, w.tripped.Text)
	case len(w.limits) == 0:
		return ErrNotArmed
	case w.spent:
		return fmt.Errorf("%w any more: this run has tripped; start a new one", ErrNotArmed)
	case w.beat.IsZero():
		return ErrAsleep
	case now.Sub(w.beat) > sleepTicks*w.cfg.Tick:
		return fmt.Errorf("%w: last heartbeat %v ago", ErrAsleep, now.Sub(w.beat).Round(time.Millisecond))
	}
	for _, l := range w.limits {
		if limit, _ := l.effective(); l.Kind == Age && now.Sub(w.asked[l.Quantity]) > seconds(limit) {
			return fmt.Errorf("%w of %s: it may be at most %v old", ErrBlind, l.Quantity, limit)
		}
	}
	return nil
}

// AwaitReady waits until the warden is ready: at the start of a run the first readings may not be there yet. It returns why
// not when that cannot come by waiting, or when ctx ends.
func (w *Warden) AwaitReady(ctx context.Context) error {
	ticker := time.NewTicker(w.cfg.Tick)
	defer ticker.Stop()
	for {
		err := w.Ready()
		// The age limits end the wait for readings: what never comes trips. The loop may only just have been started.
		if !errors.Is(err, ErrBlind) && !errors.Is(err, ErrAsleep) {
			return err
		}
		select {
		case <-ticker.C:
		case <-ctx.Done():
			return errors.Join(context.Cause(ctx), err)
		}
	}
}

// Tripped is the trip that stands, or nil.
func (w *Warden) Tripped() *event.Trip {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.tripped == nil {
		return nil
	}
	trip := *w.tripped
	return &trip
}

// Reset lifts the latch by a person's name, once make-safe has done what it can. It permits a new run, and energises nothing.
func (w *Warden) Reset(by string) error {
	if strings.TrimSpace(by) == "" {
		return errors.New("a trip is reset by a person with a name")
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case w.tripped == nil:
		return errors.New("no trip stands")
	case w.making > 0:
		return errors.New("the bench is still being made safe: reset the trip when that has ended")
	}
	w.tripped = nil
	for _, l := range w.limits {
		l.passed = nil // what led to this trip must not lead to the next
	}
	w.emit(time.Now(), event.TripReset{By: by})
	return nil
}

// Trip latches a trip from outside the readings, armed or not: a person's stop, a journal that cannot be written.
func (w *Warden) Trip(trip event.Trip) {
	w.mu.Lock()
	defer w.unlock()
	w.latch(time.Now(), trip)
}

// Stand keeps a trip that nobody had reset when the program ended before; the caller has made the bench safe since.
func (w *Warden) Stand(trip event.Trip) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.tripped == nil {
		w.tripped, w.spent = &trip, true
	}
}

// LinkLost trips while a run is armed: the bench it was armed for is no longer whole.
func (w *Warden) LinkLost(role string, err error) {
	w.mu.Lock()
	defer w.unlock()
	if len(w.limits) > 0 {
		w.latch(time.Now(), linkTrip(role, err))
	}
}

// latch keeps the first trip and has the bench made safe; it needs the lock.
func (w *Warden) latch(now time.Time, trip event.Trip) {
	switch {
	case !w.keep(now, trip):
	case w.running:
		w.making++
		w.rests.Add(1)
		w.due = &trip
	default:
		w.making++
		w.trips <- trip // has room: a latch opens only after the make-safe of the trip before
	}
}

// keep latches the trip if it is the first; it needs the lock.
func (w *Warden) keep(now time.Time, trip event.Trip) bool {
	if w.tripped != nil {
		return false
	}
	w.tripped, w.spent = &trip, true
	w.emit(now, trip)
	return true
}

// unlock gives the lock back and has the bench made safe where a trip was latched meanwhile: by another goroutine, since the caller
// may hold what make-safe needs.
func (w *Warden) unlock() {
	due := w.due
	w.due = nil
	w.mu.Unlock()
	if due != nil {
		go w.makeSafe(*due)
	}
}

func (w *Warden) emit(now time.Time, b event.Body) {
	w.cfg.Sink.Emit(event.Event{At: now, Bench: w.cfg.Bench, Run: w.run, Body: b})
}

func (w *Warden) emitLimits(now time.Time) {
	var out event.Limits
	for _, l := range w.limits {
		in := l.event()
		in.Value, in.Origin = l.effective()
		out.Limits = append(out.Limits, in)
	}
	w.emit(now, out)
}
