package bench

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/link"
)

// pending is what make-safe left as it was, and has to switch off later.
type pending struct {
	targets     []target // Halls and control supply, off once the bus is down
	controlBy   time.Time
	contactor   *target // opens once the bus is down or its discharge time has passed
	contactorBy time.Time
	notBefore   time.Time // after a try that was not confirmed
}

// tryAgain is how long after such a try the next one follows.
const tryAgain = 5 * time.Second

// switches tells whether the instrument has an output that feeds or drives something.
func (in *instrument) switches() bool {
	switch in.role {
	case Bus, Control, Reference, Hall, Load:
		return true
	}
	return false
}

// targets are the instruments with the safe state that each has to reach now, and what has to wait for the bus.
func (b *Bench) targets(cause string) ([]target, *pending) {
	b.mu.Lock()
	isDown, fitted, hold := b.down.state(time.Now()).Down(), b.before.Fitted, b.before.Drive.ControlHold.Duration()
	if b.stage != nil {
		fitted, hold = b.stage.Fitted, b.stage.Drive.ControlHold
	}
	b.mu.Unlock()

	var now []target
	later := &pending{}
	leave := func(in *instrument, off safer, read func(context.Context, *Device) (bool, error)) {
		why := "left while the bus is not down: the gate drivers need it to hold the gates off"
		if in.role == Control && cause == Control {
			why = fmt.Sprintf("left in its own current limit for %s at most: devices are fitted and the bus is charged", round(hold))
			later.controlBy = time.Now().Add(hold)
		}
		now = append(now, target{in: in, safer: left{in, why, read}})
		later.targets = append(later.targets, target{in: in, safer: off})
	}
	for _, in := range b.order {
		switch in.role {
		case Bus, Load:
			now = append(now, target{in: in, safer: supplyOff{in}})
		case Control:
			if isDown || (cause == Control && !fitted) {
				now = append(now, target{in: in, safer: supplyOff{in}})
			} else {
				leave(in, supplyOff{in}, func(ctx context.Context, d *Device) (bool, error) { return d.Supply.On(ctx, link.MakeSafe) })
			}
		case Hall:
			if isDown {
				now = append(now, target{in: in, safer: hallOff{in}})
			} else {
				leave(in, hallOff{in}, func(ctx context.Context, d *Device) (bool, error) { return d.Hall.On(ctx, link.MakeSafe) })
			}
		case Reference:
			if in.file.Safe == "off" {
				now = append(now, target{in: in, safer: supplyOff{in}})
			} else {
				now = append(now, target{in: in, safer: supplyZero{in}})
			}
		case Matrix:
			now = append(now, target{in: in, safer: matrixOpen{in}})
		case Contacts:
			if want := in.file.safeContacts(); len(want) > 0 {
				now = append(now, target{in: in, safer: contactStates{in, want}})
			}
		}
	}
	return now, later
}

// safeContacts are the contacts that go to their safe state at once: closed true, open false.
func (in *Instrument) safeContacts() map[string]bool {
	want := map[string]bool{}
	for name, c := range in.Contacts {
		if !c.Input && name != BusContactor && (c.Safe == "open" || c.Safe == "closed") {
			want[name] = c.Safe == "closed"
		}
	}
	return want
}

// contactor opens the bus contactor now, or has it wait for the bus.
func (b *Bench) contactor(ctx context.Context, off bool, later *pending) []event.Output {
	in := b.instruments[Contacts]
	if in == nil {
		return nil
	}
	c, ok := in.file.Contacts[BusContactor]
	if !ok || c.Input || c.Safe == "leave" {
		return nil
	}
	t := target{in: in, safer: contactStates{in, map[string]bool{BusContactor: c.Safe == "closed"}}}
	b.mu.Lock()
	isDown := b.down.state(time.Now()).Down()
	wait := b.down.pull.drive.longest(b.down.last.volts, b.down.safe)
	b.mu.Unlock()
	if off && !isDown && wait > 0 {
		later.contactor, later.contactorBy = &t, time.Now().Add(wait)
		return []event.Output{{Name: Contacts + "." + BusContactor, Safe: "leave", Confirmed: true,
			Text: fmt.Sprintf("opens once the bus is down, in %s at most", round(wait))}}
	}
	t.send()
	return t.verify(ctx)
}

// finish switches off what make-safe left, once the bus is down or its time is over.
func (b *Bench) finish(ctx context.Context) error {
	b.mu.Lock()
	p := b.pending
	if p == nil || b.making != nil || time.Now().Before(p.notBefore) {
		b.mu.Unlock()
		return nil
	}
	isDown, now := b.down.state(time.Now()).Down(), time.Now()
	var due []target
	due, p.targets = partition(p.targets, func(t target) bool {
		return isDown || (t.in.role == Control && !p.controlBy.IsZero() && !now.Before(p.controlBy))
	})
	if p.contactor != nil && (isDown || !now.Before(p.contactorBy)) {
		due = append(due, *p.contactor)
		p.contactor = nil
	}
	b.mu.Unlock()
	if len(due) == 0 {
		return nil
	}
	cause := "the time is over for which the control supply may feed a charged drive, or the bus to discharge"
	if isDown {
		cause = "the bus is down"
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), b.config.SafeWithin)
	defer cancel()
	safety := event.Safety{Cause: cause, Outputs: b.attain(ctx, due)}
	bad := unconfirmed(safety.Outputs)
	safety.Confirmed = len(bad) == 0
	b.standing(safety.Outputs)
	b.emit(safety)
	err := b.writeState(nil)
	if !safety.Confirmed {
		b.again(p, due)
		err = errors.Join(err, fmt.Errorf("%w: %s: %s", ErrNotSafe, bad[0].Name, bad[0].Text))
	}
	return err
}

// attain brings targets into their safe states, all at once.
func (b *Bench) attain(ctx context.Context, targets []target) []event.Output {
	results := make([][]event.Output, len(targets))
	var wg sync.WaitGroup
	for i, t := range targets {
		wg.Go(func() {
			t.send()
			results[i] = b.reached(t.verify(ctx))
		})
	}
	wg.Wait()
	return slices.Concat(results...)
}

// again puts back what could not be confirmed, unless a run has begun or another make-safe has planned anew.
func (b *Bench) again(p *pending, due []target) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.pending == p {
		p.targets, p.notBefore = append(p.targets, due...), time.Now().Add(tryAgain)
	}
}

func partition(all []target, is func(target) bool) (yes, no []target) {
	for _, t := range all {
		if is(t) {
			yes = append(yes, t)
		} else {
			no = append(no, t)
		}
	}
	return yes, no
}
