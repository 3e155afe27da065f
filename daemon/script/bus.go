package script

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"
	"golang.org/x/sync/errgroup"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// read("bus.voltage", "bus.current") waits for one fresh poll of each and returns them by name, with "at", the time since
// the run began.
func (e *engine) read(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	if len(kwargs) > 0 || len(args) == 0 {
		return nil, fmt.Errorf(`%s: want names of readings, %s("bus.voltage")`, b.Name(), b.Name())
	}
	readings := make([]Reading, len(args))
	err := e.do(func(ctx context.Context) error {
		group, ctx := errgroup.WithContext(ctx)
		for i, arg := range args {
			name, ok := starlark.AsString(arg)
			if !ok {
				return fmt.Errorf("read: %s is no name of a reading", arg)
			}
			group.Go(func() (err error) {
				readings[i], err = e.rig.Next(ctx, name)
				return err
			})
		}
		return group.Wait()
	})
	if err != nil {
		return nil, err
	}
	d := starlark.NewDict(len(args) + 1)
	latest := time.Time{}
	for i, r := range readings {
		if err := d.SetKey(args[i], r.value()); err != nil {
			return nil, err
		}
		if r.At.After(latest) {
			latest = r.At
		}
	}
	at := quantity.SecondsOf(latest.Sub(e.started))
	return d, d.SetKey(starlark.String("at"), measured{Value: at.Value()})
}

// ofLimits makes an instrument's limits of error the 95 % half width that they count as beside other contributions: u is
// half/√3 (JCGM 100:2008, 4.3.7), and U is 2u.
var ofLimits = 2 / math.Sqrt(3)

// points takes the list of read() results apart. The readings of one result were taken one after the other: each point stands at
// the instant of its voltage, with the current interpolated to it.
func points(list *starlark.List, volts, amperes string) (out []waveform.RampPoint, voltsError quantity.Volts, amperesError quantity.Amperes, err error) {
	var first time.Time
	var currents course
	for item := range list.Elements() {
		d, ok := item.(*starlark.Dict)
		if !ok {
			return nil, 0, 0, fmt.Errorf("got %s, want what read() returned", item.Type())
		}
		take := func(key string, unit quantity.Unit) measured {
			if key == "" || err != nil {
				return measured{}
			}
			v, found, _ := d.Get(starlark.String(key))
			m, isQuantity := v.(measured)
			if !found || !isQuantity || m.Unit != unit {
				err = fmt.Errorf("a point has no %s", key)
			}
			return m
		}
		at, v, i := take("at", quantity.Second), take(volts, quantity.Volt), take(amperes, quantity.Ampere)
		if err != nil {
			return nil, 0, 0, err
		}
		currents.add(i)
		out = append(out, waveform.RampPoint{T: quantity.Seconds(at.Number), V: quantity.Volts(v.Number), I: quantity.Amperes(i.Number)})
		if !v.at.IsZero() {
			if first.IsZero() {
				first = v.at
			}
			out[len(out)-1].T = quantity.SecondsOf(v.at.Sub(first))
		}
		voltsError = max(voltsError, quantity.Volts(v.uncertainty))
		amperesError = max(amperesError, quantity.Amperes(i.uncertainty))
	}
	if amperes != "" && !first.IsZero() {
		for k := range out {
			out[k].I = currents.when(first.Add(out[k].T.Duration()))
		}
	}
	return out, voltsError, amperesError, nil
}

// course is how a current went, by the instants at which it was read.
type course struct {
	at      []time.Time
	amperes []float64
}

func (c *course) add(i measured) {
	c.at, c.amperes = append(c.at, i.at), append(c.amperes, i.Number)
}

// when is the current at an instant, on the line between the two readings beside it; before the first and after the last it is
// theirs.
func (c *course) when(t time.Time) quantity.Amperes {
	k := slices.IndexFunc(c.at, func(at time.Time) bool { return !at.Before(t) })
	switch {
	case k < 0:
		return quantity.Amperes(c.amperes[len(c.amperes)-1])
	case k == 0 || !c.at[k].After(c.at[k-1]):
		return quantity.Amperes(c.amperes[k])
	}
	share := t.Sub(c.at[k-1]).Seconds() / c.at[k].Sub(c.at[k-1]).Seconds()
	return quantity.Amperes(c.amperes[k-1] + share*(c.amperes[k]-c.amperes[k-1]))
}

// fit_ramp(points, limit, target, bleeder) tells what a bus coming up is: its capacitance with the supply's own taken off,
// a short, a soft charge, a load that starts.
func (e *engine) fitRamp(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var list *starlark.List
	var limit, target, bleeder measured
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "points", &list, "limit", &limit, "target", &target, "bleeder", &bleeder); err != nil {
		return nil, err
	}
	ramp, voltsError, amperesError, err := points(list, "bus_meter.voltage", "bus.current")
	if err != nil {
		return nil, fmt.Errorf("%s: %w", b.Name(), err)
	}
	own := e.rig.OutputCapacitance("bus")
	r := waveform.FitRamp(ramp, waveform.RampOptions{
		SupplyCapacitance: own, SupplyError: own / 5, // a stated output capacitor is good to about 20 % (common practice, no source)
		Limit: quantity.Amperes(limit.Number), Target: quantity.Volts(target.Number), Bleeder: quantity.Ohms(bleeder.Number),
		VoltageError: voltsError, CurrentError: amperesError,
	})
	return starlarkstruct.FromStringDict(starlark.String("ramp"), starlark.StringDict{
		"shape":       starlark.String(r.Shape),
		"reason":      starlark.String(r.Reason),
		"capacitance": measure(r.Capacitance, quantity.Farad, "bus, bus_meter"),
		"soft_charge": measure(r.SoftCharge, quantity.Ohm, "bus, bus_meter"),
		"holding":     measure(r.Holding, quantity.Ohm, "bus, bus_meter"),
		"load_start":  measure(r.LoadStart, quantity.Volt, "bus, bus_meter"),
		"load_power":  measure(r.LoadPower, quantity.Watt, "bus, bus_meter"),
	}), nil
}

// fit_discharge(points) is the time constant of a bus that nothing feeds.
func (e *engine) fitDischarge(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var list *starlark.List
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "points", &list); err != nil {
		return nil, err
	}
	fall, voltsError, _, err := points(list, "bus_meter.voltage", "")
	if err != nil {
		return nil, fmt.Errorf("%s: %w", b.Name(), err)
	}
	var samples []waveform.Sample
	for _, p := range fall {
		samples = append(samples, waveform.Sample{T: p.T, V: p.V})
	}
	d := waveform.FitDischarge(samples, voltsError)
	return starlarkstruct.FromStringDict(starlark.String("discharge"), starlark.StringDict{
		"time_constant": measure(d.TimeConstant, quantity.Second, "bus_meter"),
		"used":          starlark.MakeInt(d.Used),
	}), nil
}

// fit_quiescent(points) is the current that a charged bus goes on drawing.
func (e *engine) fitQuiescent(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var list *starlark.List
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "points", &list); err != nil {
		return nil, err
	}
	still, _, amperesError, err := points(list, "bus.voltage", "bus.current")
	if err != nil {
		return nil, fmt.Errorf("%s: %w", b.Name(), err)
	}
	return measure(waveform.Quiescent(still, amperesError), quantity.Ampere, "bus"), nil
}

// measure is a measured parameter in a script: .known, .value, .why, .change.
func measure(m waveform.Measure, unit quantity.Unit, instrument string) starlark.Value {
	b := verdict.NewBudget(unit)
	for _, p := range m.Parts {
		b.Half(p.Name, p.U)
	}
	if len(m.Parts) == 0 && m.U > 0 {
		b.Half("readings and their fit", m.U)
	}
	return starlarkstruct.FromStringDict(starlark.String("measure"), starlark.StringDict{
		"known":  starlark.Bool(m.Known()),
		"value":  measured{Value: quantity.Value{Number: m.Value, Unit: unit}, uncertainty: m.U, budget: b.Parts, instrument: instrument},
		"why":    starlark.String(m.Undecided),
		"change": starlark.String(m.Change),
	})
}
