package benchtest

import (
	"context"
	"fmt"
	"maps"
	"time"

	"benchwarden/daemon/bench"
	"benchwarden/instruments/hall"
	"benchwarden/instruments/link"
	"benchwarden/instruments/meter"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/supply"
)

type supplied struct{ *instrument }

func (l supplied) state() *Supply { return l.world.supplies[l.role] }

func (l supplied) SetVoltage(ctx context.Context, p link.Priority, v quantity.Volts) error {
	return tell(ctx, l.path(p), fmt.Sprintf("set %v", v), func() {
		if s := l.state(); s.Follows > 0 {
			time.AfterFunc(s.Follows, func() { l.world.Supply(l.role, func(s *Supply) { s.Voltage = float64(v) }) })
			return
		}
		l.state().Voltage = float64(v)
	})
}

func (l supplied) SetCurrent(ctx context.Context, p link.Priority, a quantity.Amperes) error {
	return tell(ctx, l.path(p), fmt.Sprintf("limit %v", a), func() { l.state().Limit = float64(a) })
}

func (l supplied) Output(ctx context.Context, p link.Priority, on bool) error {
	return tell(ctx, l.path(p), "output "+word(on), func() {
		if !on || l.world.Lag == 0 {
			l.state().switched(on)
			return
		}
		time.AfterFunc(l.world.Lag, func() { l.world.Supply(l.role, func(s *Supply) { s.On = true }) })
	})
}

func word(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

func (s *Supply) switched(on bool) { s.On = on || s.Stuck && s.On }

func (l supplied) On(ctx context.Context, p link.Priority) (bool, error) {
	return ask(ctx, l.path(p), "on?", func() bool { return l.state().On && !l.state().Lies })
}

func (l supplied) Setpoint(ctx context.Context, p link.Priority) (quantity.Volts, error) {
	return ask(ctx, l.path(p), "set?", func() quantity.Volts { return quantity.Volts(l.state().Voltage) })
}

func (l supplied) Measure(ctx context.Context, p link.Priority) (supply.Reading, error) {
	return ask(ctx, l.path(p), "measure?", func() supply.Reading { return l.world.measure(l.role) })
}

func (w *World) measure(role string) supply.Reading {
	s := w.supplies[role]
	if !s.On {
		return supply.Reading{Mode: supply.Off}
	}
	r := supply.Reading{Mode: supply.CV, Voltage: quantity.Volts(s.Voltage), Current: 0.02}
	if role == bench.Bus {
		r.Voltage = quantity.Volts(w.bus)
		if w.bus < s.Voltage {
			r.Mode, r.Current = supply.CC, quantity.Amperes(s.Limit)
		}
	}
	return r
}

func (l supplied) Protect(ctx context.Context, p link.Priority, want supply.Protection) (supply.Protection, error) {
	return ask(ctx, l.path(p), fmt.Sprintf("protect %v %v", want.Voltage, want.Current), func() supply.Protection {
		l.state().OverVoltage, l.state().OverCurrent = float64(want.Voltage), float64(want.Current)
		if l.state().NoProtect {
			want.Voltage *= 10
		}
		return want
	})
}

func (l supplied) ClearProtection(ctx context.Context, p link.Priority) error {
	return tell(ctx, l.path(p), "clear protection", func() {})
}

func (l supplied) Off() error {
	return l.urgent("output off", func() { l.state().switched(false) })
}

func (l supplied) Zero() error {
	return l.urgent("set 0 V", func() { l.state().Voltage = 0 })
}

type metered struct{ *instrument }

// Read is the bus at the drive's terminals, or next to nothing when the leads hang in the air.
func (l metered) Read(ctx context.Context, p link.Priority, f meter.Function) (quantity.Value, error) {
	return ask(ctx, l.path(p), fmt.Sprintf("read %v?", f), func() quantity.Value {
		if l.world.Leads {
			return quantity.Volts(l.world.bus).Value()
		}
		return quantity.Volts(0.002).Value()
	})
}

type halls struct{ *instrument }

func (l halls) Output(ctx context.Context, p link.Priority, on bool) error {
	return tell(ctx, l.path(p), "output "+word(on), func() { l.world.hall = on })
}

func (l halls) On(ctx context.Context, p link.Priority) (bool, error) {
	return ask(ctx, l.path(p), "on?", func() bool { return l.world.hall })
}

func (l halls) SetCode(ctx context.Context, code int) error {
	return tell(ctx, l.path(link.Script), fmt.Sprintf("code %d", code), func() {})
}

func (l halls) SetLine(ctx context.Context, line int, state hall.Line) error {
	return tell(ctx, l.path(link.Script), fmt.Sprintf("line %d %v", line, state), func() {})
}

func (l halls) Spacing(ctx context.Context, degrees int) error {
	return tell(ctx, l.path(link.Script), fmt.Sprintf("spacing %d", degrees), func() {})
}

func (l halls) Run(ctx context.Context, f quantity.Hertz, reverse bool) error {
	return tell(ctx, l.path(link.Script), fmt.Sprintf("run %v %t", f, reverse), func() {})
}

func (l halls) Hold(ctx context.Context) error {
	return tell(ctx, l.path(link.Script), "hold", func() {})
}

func (l halls) Sense(ctx context.Context) (int, error) {
	return ask(ctx, l.path(link.Script), "sense?", func() int { return 0 })
}

func (l halls) Off() error {
	return l.urgent("output off", func() { l.world.hall = false })
}

type contacts struct{ *instrument }

func (l contacts) Set(ctx context.Context, p link.Priority, contact string, closed bool) error {
	return tell(ctx, l.path(p), fmt.Sprintf("%s %t", contact, closed), func() { l.world.closed[contact] = closed })
}

func (l contacts) Closed(ctx context.Context, p link.Priority, contact string) (bool, error) {
	return ask(ctx, l.path(p), contact+"?", func() bool { return l.world.closed[contact] })
}

func (l contacts) Input(ctx context.Context, p link.Priority, name string) (bool, error) {
	return ask(ctx, l.path(p), name+"?", func() bool { return l.world.inputs[name] })
}

func (l contacts) Urgent(states map[string]bool) error {
	return l.urgent(fmt.Sprintf("urgent %v", states), func() { maps.Copy(l.world.closed, states) })
}
