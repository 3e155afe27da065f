package bench

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/supply"
)

// begin takes an instrument's turn for a command that switches or sets. The context it returns ends when the bench is made
// safe. The latch is looked at while the turn is held, and make-safe takes each turn before it trusts a reading: so no ON can
// follow its OFF unseen.
func (b *Bench) begin(ctx context.Context, role string) (*instrument, context.Context, func(), error) {
	in := b.instruments[role]
	if in == nil {
		return nil, nil, nil, fmt.Errorf("%s: %w", role, ErrNoRole)
	}
	if err := in.reached(); err != nil {
		return nil, nil, nil, err
	}
	b.mu.Lock()
	working := b.working
	b.mu.Unlock()
	ctx, cancel := context.WithCancelCause(ctx)
	unhook := context.AfterFunc(working, func() { cancel(context.Cause(working)) })
	done := func() { unhook(); cancel(nil) }
	release, err := in.take(ctx)
	if err != nil {
		done()
		return nil, nil, nil, err
	}
	err = b.refused(working)
	if err == nil {
		err = context.Cause(ctx)
	}
	if err != nil {
		release()
		done()
		return nil, nil, nil, fmt.Errorf("%s: %w", role, err)
	}
	return in, ctx, func() { release(); done() }, nil
}

// refused says why nothing may be switched on or set.
func (b *Bench) refused(working context.Context) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := context.Cause(working); err != nil {
		return err
	}
	if b.latched != "" {
		return fmt.Errorf("%w: %s", ErrMadeSafe, b.latched)
	}
	return nil
}

// SwitchOn sets a supply, programs its own protection and reads that back (P3), writes the state file, and switches the output
// on. Every refusal comes before anything is sent. It leaves the output on; SwitchOff or MakeSafe undoes it.
func (b *Bench) SwitchOn(ctx context.Context, o Output) error {
	in, ctx, done, err := b.begin(ctx, o.Role)
	if err != nil {
		return err
	}
	defer done()
	if err := b.switchOn(ctx, in, o); err != nil {
		return explain(ctx, err)
	}
	b.emit(event.Switched{Output: o.Role, On: true})
	return nil
}

func (b *Bench) switchOn(ctx context.Context, in *instrument, o Output) error {
	if in.device().Supply == nil {
		return fmt.Errorf("%s is not a supply", o.Role)
	}
	envelope := b.envelope(o.Role)
	if o.Current == 0 {
		o.Current = envelope.Current
	}
	if o.Current == 0 && o.Role != Reference { // which gives some milliamperes at most
		return fmt.Errorf("%s: neither the stage nor the caller names a current limit: %w", o.Role, ErrPastLimit)
	}
	if err := b.permitted(o); err != nil {
		return err
	}
	if err := b.protect(ctx, in, o, envelope); err != nil {
		return err
	}
	s := in.device().Supply
	if err := setLimit(ctx, s, o); err != nil {
		return err
	}
	if err := s.SetVoltage(ctx, link.Script, o.Voltage); err != nil {
		return err
	}
	if set, err := s.Setpoint(ctx, link.Script); err != nil {
		return fmt.Errorf("%s: its set voltage could not be read back, so it stays off: %w", o.Role, err)
	} else if !same(float64(set), float64(o.Voltage), 0.05) {
		return fmt.Errorf("%s was set to %v but reads back %v, so it stays off", o.Role, o.Voltage, set)
	}
	if err := b.writeState(&o); err != nil {
		return err
	}
	on, from, _ := in.energised()
	if !on {
		from = b.residual(o.Role)
	}
	if from > o.Voltage { // a bus that is still charged has to fall to the set value first
		b.config.Guard.Setpoint(o.Role, from, o.Voltage, o.Current, b.settle(from, o.Voltage))
	} else {
		b.config.Guard.Setpoint(o.Role, from, o.Voltage, o.Current, b.rise(o.Role, from, o.Voltage, o.Current))
	}
	in.note(func(in *instrument) {
		in.unknown, in.sentOn, in.setpoint, in.limit = true, time.Now(), o.Voltage, o.Current
	})
	b.fed(o.Role)
	err := b.permitted(o) // a person or the warden may have changed their mind meanwhile
	if err == nil {
		err = context.Cause(ctx)
	}
	if err == nil {
		err = s.Output(ctx, link.Script, true)
	}
	if err == nil {
		err = awaitOn(ctx, in)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("%s: %w", o.Role, err), b.off(ctx, in))
	}
	in.note(func(in *instrument) { in.on, in.unknown = true, false })
	return nil
}

// setLimit sets the current limit; a reference need not have one.
func setLimit(ctx context.Context, s Supply, o Output) error {
	if o.Current == 0 {
		return nil
	}
	err := s.SetCurrent(ctx, link.Script, o.Current)
	if o.Role == Reference && errors.Is(err, supply.ErrNotThere) {
		return nil
	}
	return err
}

// awaitOn reads back that an output is on, for as long as the instrument may take for it.
func awaitOn(ctx context.Context, in *instrument) error {
	until := in.quietFrom()
	for {
		late := !time.Now().Before(until)
		on, err := in.device().Supply.On(ctx, link.Script)
		switch {
		case err != nil || on:
			return err
		case late:
			return errors.New("it was switched on but says that it is off")
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-time.After(safeRetry):
		}
	}
}

// explain puts the reason why the work was stopped before the error that this led to.
func explain(ctx context.Context, err error) error {
	if cause := context.Cause(ctx); cause != nil && !errors.Is(err, cause) {
		return fmt.Errorf("%w: %w", cause, err)
	}
	return err
}

// permitted asks everybody who may refuse: limits (P4), the guard (P2), the person at the bench (P10).
func (b *Bench) permitted(o Output) error {
	if err := b.Usable(); err != nil {
		return err
	}
	if err := b.Allowed(o.Role, o.Voltage, o.Current); err != nil {
		return err
	}
	if err := b.config.Guard.Ready(); err != nil {
		return fmt.Errorf("%s stays as it is: %w", o.Role, err)
	}
	if err := b.config.Consent.Allow(Announced(o)); err != nil {
		return fmt.Errorf("%s stays as it is: %w", o.Role, err)
	}
	return nil
}

func (b *Bench) envelope(role string) Envelope {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.stage == nil {
		return Envelope{}
	}
	return b.stage.Supplies[role]
}

// SetVoltage changes a supply's set voltage; it does not switch the output on. The guard hears of a rise before it is sent; of a
// fall it hears before that it may come, and afterwards that it has.
func (b *Bench) SetVoltage(ctx context.Context, role string, v quantity.Volts) error {
	in, ctx, done, err := b.begin(ctx, role)
	if err != nil {
		return err
	}
	defer done()
	on, from, limit := in.energised()
	up := on && math.Abs(float64(v)) > math.Abs(float64(from))
	if err := b.settable(Output{role, v, limit}, up); err != nil {
		return err
	}
	if up {
		b.config.Guard.Setpoint(role, from, v, limit, b.rise(role, from, v, limit))
		in.note(func(in *instrument) { in.sentOn = time.Now() })
	} else {
		b.config.Guard.WillFall(role, v)
	}
	if err := in.device().Supply.SetVoltage(ctx, link.Script, v); err != nil {
		return explain(ctx, err)
	}
	in.note(func(in *instrument) { in.setpoint = v })
	if on && !up {
		b.config.Guard.Setpoint(role, from, v, limit, b.settle(from, v))
	}
	if on && role == Reference {
		return b.settled(ctx, in, v)
	}
	return nil
}

// SetCurrent changes a supply's current limit.
func (b *Bench) SetCurrent(ctx context.Context, role string, limit quantity.Amperes) error {
	in, ctx, done, err := b.begin(ctx, role)
	if err != nil {
		return err
	}
	defer done()
	on, volts, was := in.energised()
	if err := b.settable(Output{role, volts, limit}, on && limit > was); err != nil {
		return err
	}
	if limit == 0 {
		return fmt.Errorf("%s: a current limit of 0 A: %w", role, ErrPastLimit)
	}
	if err := in.device().Supply.SetCurrent(ctx, link.Script, limit); err != nil {
		return explain(ctx, err)
	}
	in.note(func(in *instrument) { in.limit = limit })
	return nil
}

// settable is permitted for a change; one that energises no further needs no person's consent.
func (b *Bench) settable(o Output, further bool) error {
	if b.instruments[o.Role].device().Supply == nil {
		return fmt.Errorf("%s is not a supply", o.Role)
	}
	if further {
		return b.permitted(o)
	}
	return b.Allowed(o.Role, o.Voltage, o.Current)
}

// SwitchOff switches a supply off and reads that back. It is never refused for a limit, a hold or a trip.
func (b *Bench) SwitchOff(ctx context.Context, role string) error {
	in := b.instruments[role]
	if in == nil {
		return fmt.Errorf("%s: %w", role, ErrNoRole)
	}
	if err := in.reached(); err != nil {
		return err
	}
	release, err := in.take(ctx)
	if err != nil {
		return err
	}
	defer release()
	_, from, limit := in.energised()
	b.config.Guard.WillFall(role, 0)
	if err := b.off(ctx, in); err != nil {
		return err
	}
	b.disarm(ctx, in)
	b.config.Guard.Setpoint(role, from, 0, limit, b.settle(from, 0))
	b.emit(event.Switched{Output: role, On: false})
	b.busNews()
	return b.writeState(nil)
}

// off switches an output off while the turn is held, and has it confirmed. A caller whose own work was stopped gets it done
// all the same.
func (b *Bench) off(ctx context.Context, in *instrument) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), b.config.SafeWithin+oneAfterOther) // a make-safe may have begun now, too
	defer cancel()
	t := target{in: in, safer: supplyOff{in}}
	sent := t.safer.repeat(ctx, in.device())
	bad := unconfirmed(t.confirmed(ctx))
	if len(bad) > 0 {
		return errors.Join(sent, fmt.Errorf("%s: %w: %s", in.role, ErrNotSafe, bad[0].Text))
	}
	b.released(in.role)
	return nil
}

// fed tells the bus's machine that the bus supply is on, or may be.
func (b *Bench) fed(role string) {
	if role != Bus {
		return
	}
	b.mu.Lock()
	b.down.fed()
	b.mu.Unlock()
	b.busNews()
}

// released tells it that the bus supply is off, and that this was read back.
func (b *Bench) released(role string) {
	if role != Bus {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.down.unfed(time.Now())
}

// residual is what stands on an output before it is switched on: the drive's bus may be charged from before.
func (b *Bench) residual(role string) quantity.Volts {
	if role != Bus {
		return 0
	}
	var most quantity.Volts
	for _, name := range []string{BusMeter + ".voltage", Bus + ".voltage"} {
		if s, ok := b.Last(name); ok && s.Err == nil {
			most = max(most, quantity.Volts(s.Value.Number))
		}
	}
	return most
}

// rise is how long a supply may stand in constant current after an up-step: 1.5·C·dU/I + 0.5 s.
func (b *Bench) rise(role string, from, to quantity.Volts, limit quantity.Amperes) time.Duration {
	const least = 500 * time.Millisecond
	if role != Bus || limit <= 0 {
		return least
	}
	b.mu.Lock()
	c := b.down.pull.drive.CapacitanceMost
	b.mu.Unlock()
	return least + duration(1.5*float64(c)*math.Abs(float64(to-from))/float64(limit))
}

// settle is how long the bus may need to follow a down-step, with only its bleeder pulling.
func (b *Bench) settle(from, to quantity.Volts) time.Duration {
	const least = 500 * time.Millisecond
	b.mu.Lock()
	defer b.mu.Unlock()
	return least + b.down.pull.drive.longest(from, max(to, 1))
}
