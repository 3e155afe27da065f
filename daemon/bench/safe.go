package bench

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/hand"
)

// Each has an odd part, so that its end never falls on the instant of a poll whose answer began the make-safe.
const (
	safeWithin  = 5*time.Second + 523*time.Microsecond        // make-safe stops trying to confirm after this long
	safeByHand  = time.Minute + 523*time.Microsecond          // the same where a person has to switch a supply off
	safeRetry   = 50*time.Millisecond + 31*time.Microsecond   // between two tries to confirm an output
	fenceWithin = 500*time.Millisecond + 217*time.Microsecond // a connection without an answer by then is closed

	oneAfterOther = 73 * time.Microsecond // between the ends of what began at one instant

	contactorWaits = time.Second + 419*time.Microsecond // for the bus supply to confirm off; then the contactor opens under current
)

// making is a make-safe under way; callers that come meanwhile wait for it.
type making struct {
	done   chan struct{}
	result SafeResult
}

// MakeSafe brings every output into its safe state and reads that back. It goes on when ctx ends: only its own deadline stops
// it. Nothing can be switched on or set afterwards until a run begins or resumes. A caller that comes while one is under way
// gets its result. An output that nobody could confirm makes the result NOT SAFE.
//
// The Hall source and the control supply are left as they are while the bus is not down, and go off once it is.
func (b *Bench) MakeSafe(ctx context.Context, cause string) SafeResult {
	return b.MakeSafeFor(ctx, cause, "")
}

// MakeSafeFor is MakeSafe when a reading of role was the cause: a control supply that caused a trip goes off at once where no
// devices are fitted or the bus is down; else it stays in its own current limit for the family's control hold at most.
func (b *Bench) MakeSafeFor(ctx context.Context, cause, role string) SafeResult {
	return b.StartSafe(cause, role)(ctx, cause)
}

// StartSafe is MakeSafeFor in two parts, for whoever has just read what was too much: it sends what can leave now, on the caller's
// own time and without waiting, since waking somebody else to do it would cost more; why is what work that is going on is told.
// What it returns does the rest, and has to be called, with the cause in full.
func (b *Bench) StartSafe(why, role string) (rest func(ctx context.Context, cause string) SafeResult) {
	b.mu.Lock()
	if m := b.making; m != nil {
		b.mu.Unlock()
		return func(context.Context, string) SafeResult {
			<-m.done
			return m.result
		}
	}
	m := &making{done: make(chan struct{})}
	b.making, b.latched = m, why
	b.stopWork(fmt.Errorf("%w: %s", ErrMadeSafe, why))
	b.mu.Unlock()

	p := passes{began: time.Now()}
	p.targets, p.later = b.targets(role)
	for i, t := range p.targets {
		if t.prompt() {
			t.send()
			p.targets[i].sent = true
		}
	}
	for _, t := range p.targets {
		if t.brings0V() {
			b.config.Guard.WillFall(t.in.role, 0)
		}
	}
	return func(ctx context.Context, cause string) SafeResult {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), b.config.SafeWithin)
		defer cancel()
		b.mu.Lock()
		b.latched = cause
		b.mu.Unlock()
		m.result = b.makeSafe(ctx, cause, p)

		b.mu.Lock()
		b.making = nil
		b.mu.Unlock()
		close(m.done)
		return m.result
	}
}

// passes is what the two passes of a make-safe work on.
type passes struct {
	began   time.Time
	targets []target
	later   *pending
}

func (b *Bench) makeSafe(ctx context.Context, cause string, p passes) SafeResult {
	targets, later := p.targets, p.later

	// Pass one: what has not left yet, all at once, nobody's answer awaited; pass two starts for an instrument when its own bytes
	// are out, so that a dead one costs the others nothing.
	results := make([][]event.Output, len(targets))
	var opened []event.Output
	busOff := make(chan bool, 1) // whether the bus supply confirmed off
	if b.instruments[Bus] == nil {
		busOff <- true
	}
	var wg sync.WaitGroup
	wg.Go(func() {
		off := false
		select {
		case off = <-busOff:
		case <-time.After(contactorWaits):
		}
		opened = b.contactor(ctx, off, later)
	})
	for i, t := range targets {
		wg.Go(func() {
			on, from, limit := t.in.energised()
			if !t.sent {
				t.send()
			}
			results[i] = b.reached(t.verify(ctx))
			if on && from != 0 && len(unconfirmed(results[i])) == 0 && t.brings0V() {
				b.config.Guard.Setpoint(t.in.role, from, 0, limit, b.settle(from, 0))
			}
			if t.in.role == Bus {
				busOff <- len(unconfirmed(results[i])) == 0
			}
		})
	}
	wg.Wait()

	result := SafeResult{Safety: event.Safety{Confirmed: true, Cause: cause, Outputs: append(slices.Concat(results...), opened...)}}
	for _, o := range result.Outputs {
		result.Confirmed = result.Confirmed && o.Confirmed
	}
	result.At = time.Now()
	result.Took = result.At.Sub(p.began)
	b.conclude(&result, later)
	return result
}

// conclude keeps what make-safe reached, tells it, and writes it down.
func (b *Bench) conclude(result *SafeResult, later *pending) {
	b.mu.Lock()
	b.notSafe = nil
	b.pending = later
	b.mu.Unlock()
	b.standing(result.Outputs)
	if err := b.writeState(nil); err != nil {
		result.Confirmed = false
		result.Outputs = append(result.Outputs, event.Output{Name: "state file", Safe: "written", Text: err.Error()})
	}
	b.mu.Lock()
	b.lastSafe = *result
	b.mu.Unlock()
	b.emit(result.Safety)
	b.busNews()
}

// standing keeps which outputs are NOT SAFE: one that is confirmed is no longer.
func (b *Bench) standing(outputs []event.Output) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, o := range outputs {
		b.notSafe = slices.DeleteFunc(slices.Clone(b.notSafe), func(old event.Output) bool { return old.Name == o.Name })
		if !o.Confirmed {
			b.notSafe = append(b.notSafe, o)
		}
		b.lastSafe.renew(o)
	}
}

// renew puts an output as it stands now in the place of what was told of it before.
func (r *SafeResult) renew(o event.Output) {
	r.Outputs = append(slices.DeleteFunc(slices.Clone(r.Outputs), func(old event.Output) bool { return old.Name == o.Name }), o)
	r.Confirmed = len(unconfirmed(r.Outputs)) == 0
}

// reached tells the bus's machine when its supply is off.
func (b *Bench) reached(outputs []event.Output) []event.Output {
	for _, o := range outputs {
		if o.Confirmed && o.Safe == "off" {
			b.released(o.Name)
		}
	}
	return outputs
}

func unconfirmed(outputs []event.Output) []event.Output {
	var bad []event.Output
	for _, o := range outputs {
		if !o.Confirmed {
			bad = append(bad, o)
		}
	}
	return bad
}

// target is one instrument with the safe state that its outputs have to reach.
type target struct {
	in    *instrument
	safer safer
	sent  bool // its first message has left
}

// prompt tells whether its safe state would leave now, without waiting for anything.
func (t target) prompt() bool {
	d := t.in.device()
	return d != nil && len(d.Connections) > 0 && !slices.ContainsFunc(d.Connections, func(c Connection) bool { return !c.Prompt() })
}

// brings0V tells whether the safe state is a supply at 0 V, off or set to it; the limits that follow the set value follow that.
func (t target) brings0V() bool {
	switch t.safer.(type) {
	case supplyOff, supplyZero:
		return true
	}
	return false
}

// send writes the safe state at once and waits for no answer. What fails here is found by reading back.
func (t target) send() {
	if t.in.device() != nil {
		_ = t.safer.urgent(t.in.device())
	}
}

// verify takes the instrument's turn, so that nobody else's command can come between, and has the safe state confirmed. Whoever
// held the turn was stopped and gives it back.
func (t target) verify(ctx context.Context) []event.Output {
	if err := t.in.reached(); err != nil {
		return t.safer.unknown(err)
	}
	release, err := t.in.take(ctx)
	if err != nil {
		return t.safer.unknown(fmt.Errorf("a command to it is still under way: %w", err))
	}
	defer release()
	return t.confirmed(ctx)
}

// confirmed reads back until the safe state is there, repeating the commands, or until ctx ends. Nobody can send an ON any
// more, so a reading counts once everything that was on its way has been taken: an ON could else act after its OFF was read
// back.
func (t target) confirmed(ctx context.Context) []event.Output {
	quiet := t.settled(ctx)
	for {
		asked := time.Now()
		outputs := t.safer.confirm(ctx, t.in.device())
		good := len(unconfirmed(outputs)) == 0
		if good && !asked.Before(quiet) {
			return outputs
		}
		wait := safeRetry
		if good {
			wait = time.Until(quiet)
		}
		select {
		case <-ctx.Done():
			if good {
				return t.safer.unknown(errors.New("a command may still have been on its way to it when the time was over"))
			}
			return outputs
		case <-time.After(wait):
		}
		if !good { // what was sent first may be gone with its connection; an instrument that answers late acts at once all the same
			t.send()
			if err := t.safer.repeat(ctx, t.in.device()); errors.Is(err, hand.ErrNobody) {
				return outputs // no time brings anybody; else the next reading tells
			}
		}
	}
}

// settled has every connection with unanswered traffic prove that all of it was taken, and closes one that does not. It returns
// when the last command that energises can no longer act.
func (t target) settled(ctx context.Context) time.Time {
	in := t.in
	times := make([]time.Time, len(in.device().Connections))
	var wg sync.WaitGroup
	for i := range in.device().Connections {
		wg.Go(func() {
			c := in.device().Connections[i]
			if !c.Unanswered() {
				return
			}
			fctx, cancel := context.WithTimeout(ctx, fenceWithin+time.Duration(i)*oneAfterOther)
			defer cancel()
			if err := c.Fence(fctx); err != nil {
				c.Drop()
				times[i] = time.Now().Add(in.device().TakesEffectWithin)
			}
		})
	}
	wg.Wait()
	quiet := in.quietFrom()
	for _, t := range times {
		if t.After(quiet) {
			quiet = t
		}
	}
	return quiet
}
