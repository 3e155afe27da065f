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
	"sync"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

var (
	// ErrTripped means that a trip stands; a person has to reset it.
	ErrTripped = errors.New("tripped")
	// ErrNotArmed means that no limits are in force.
	ErrNotArmed = errors.New("the warden is not armed")
	// ErrAsleep means that the warden's own loop does not run.
	ErrAsleep = errors.New("the warden's loop does not run")
)

// Config says whom the warden watches for and what it does on a trip.
type Config struct {
	Bench string
	Sink  event.Sink
	// MakeSafe brings the bench into its safe state; it is called once a trip, after the latch.
	MakeSafe func(ctx context.Context, trip event.Trip)
	Tick     time.Duration // how often ages are looked at
}

// Drive is what the warden has to know of the drive to tell a charging capacitor from a fault.
type Drive struct {
	Capacitance quantity.Farads  // of the bus, the supply's own included
	Load        quantity.Amperes // what the bus draws besides charging
	Discharge   quantity.Seconds // time constant of the bus without feed
}

// Warden supervises one bench. Its zero latch is open, but it is not armed: nothing may energise.
type Warden struct {
	cfg   Config
	trips chan event.Trip

	mu       sync.Mutex
	run      string
	armedAt  time.Time
	limits   []*watch
	drive    Drive
	steps    map[string]step // by role
	last     map[string]time.Time
	tripped  *event.Trip
	beat     time.Time
	tightens int
}

// watch is a limit in force with its memory.
type watch struct {
	Limit
	passed  []bool // the last M readings
	tighten []tightened
}

type tightened struct {
	id    int
	value quantity.Value
}

// New returns a warden that is not armed.
func New(cfg Config) *Warden {
	return &Warden{cfg: cfg, trips: make(chan event.Trip, 1), steps: map[string]step{}, last: map[string]time.Time{}}
}

// Run owns the warden's time and its trips until ctx ends. It is the only caller of MakeSafe.
func (w *Warden) Run(ctx context.Context) error {
	ticker := time.NewTicker(w.cfg.Tick)
	defer ticker.Stop()
	w.heartbeat()
	for {
		select {
		case trip := <-w.trips:
			w.cfg.MakeSafe(context.WithoutCancel(ctx), trip)
		case <-ticker.C:
			w.heartbeat()
			w.judgeTime(time.Now())
		case <-ctx.Done():
			select {
			case trip := <-w.trips:
				w.cfg.MakeSafe(context.WithoutCancel(ctx), trip)
			default:
			}
			return nil
		}
	}
}

func (w *Warden) heartbeat() {
	w.mu.Lock()
	w.beat = time.Now()
	w.mu.Unlock()
}

// Arm puts limits into force for a run. It is refused while a trip stands.
func (w *Warden) Arm(run string, limits []Limit, drive Drive) error {
	var faults []error
	for _, l := range limits {
		faults = append(faults, l.check())
	}
	if err := errors.Join(faults...); err != nil {
		return err
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.tripped != nil {
		return fmt.Errorf("arm for run %s: %w: %s", run, ErrTripped, w.tripped.Text)
	}
	now := time.Now()
	w.run, w.armedAt, w.drive = run, now, drive
	w.limits = nil
	clear(w.steps)
	clear(w.last)
	for _, l := range limits {
		w.limits = append(w.limits, &watch{Limit: l})
		if l.Kind == Age {
			w.last[l.Quantity] = now
		}
	}
	w.emitLimits(now)
	return nil
}

// Disarm takes the limits out of force; a trip that stands goes on standing.
func (w *Warden) Disarm() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.run, w.limits = "", nil
}

// Ready says whether something may be energised: armed, not tripped, the warden's own loop alive.
func (w *Warden) Ready() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case w.tripped != nil:
		return fmt.Errorf("%w: %s", ErrTripped, w.tripped.Text)
	case len(w.limits) == 0:
		return ErrNotArmed
	case time.Since(w.beat) > 10*w.cfg.Tick:
		return fmt.Errorf("%w: last heartbeat %v ago", ErrAsleep, time.Since(w.beat).Round(time.Millisecond))
	}
	return nil
}

// Tripped is the trip that stands, or nil.
func (w *Warden) Tripped() *event.Trip {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.tripped
}

// Reset lifts the latch by a person's name. It permits, and energises nothing.
func (w *Warden) Reset(by string) error {
	if by == "" {
		return errors.New("a trip is reset by a person with a name")
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.tripped == nil {
		return errors.New("no trip stands")
	}
	w.tripped = nil
	w.emit(time.Now(), event.TripReset{By: by})
	return nil
}

// Trip latches a trip from outside the readings: a lost link, an interlock.
func (w *Warden) Trip(trip event.Trip) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.latch(time.Now(), trip)
}

// LinkLost trips when the instrument is one that a limit watches.
func (w *Warden) LinkLost(role string, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, l := range w.limits {
		if roleOf(l.Quantity) == role {
			w.latch(time.Now(), event.Trip{
				Cause: "link lost",
				Text:  fmt.Sprintf("the connection to %s is lost: %v", role, err),
				Do:    fmt.Sprintf("look at power and cable of %s; the bench is being made safe", role),
			})
			return
		}
	}
}

// latch keeps the first trip; it needs the lock.
func (w *Warden) latch(now time.Time, trip event.Trip) {
	if w.tripped != nil {
		return
	}
	w.tripped = &trip
	w.trips <- trip // room for one, and only an open latch gets here
	w.emit(now, trip)
}

func (w *Warden) emit(now time.Time, b event.Body) {
	w.cfg.Sink.Emit(event.Event{At: now, Bench: w.cfg.Bench, Run: w.run, Body: b})
}

func (w *Warden) emitLimits(now time.Time) {
	var out event.Limits
	for _, l := range w.limits {
		in := l.event()
		in.Value = l.effective()
		out.Limits = append(out.Limits, in)
	}
	w.emit(now, out)
}
