package script

import (
	"fmt"
	"math"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// ripple(trace) is what a steady voltage carries: .peak_to_peak, .rms, .frequency of the strongest component.
func (e *engine) ripple(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	t, err := oneTrace(b, args, kwargs)
	if err != nil {
		return nil, err
	}
	sight := e.rig.Sight(e.family.Bridge.Legs[0])
	r := waveform.FindRipple(t.Trace, waveform.Options{Gain: sight.Gain, Offset: sight.Accuracy, Timebase: sight.Timebase})
	return starlarkstruct.FromStringDict(starlark.String("ripple"), starlark.StringDict{
		"peak_to_peak": measure(r.PeakToPeak, quantity.Volt, "scope"),
		"rms":          measure(r.RMS, quantity.Volt, "scope"),
		"frequency":    measure(r.Frequency, quantity.PerSecond, "scope"),
	}), nil
}

// fit_series_resistance(points, current) is the resistance in series with the bus capacitors, from the step of the voltage when
// the current begins; the first points are from before.
func (e *engine) fitSeriesResistance(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var list *starlark.List
	var current measured
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "points", &list, "current", &current); err != nil {
		return nil, err
	}
	if err := current.need(b.Name()+": current", quantity.Ampere); err != nil {
		return nil, err
	}
	rise, voltsError, amperesError, err := points(list, "bus_meter.voltage", "bus.current")
	if err != nil {
		return nil, fmt.Errorf("%s: %w", b.Name(), err)
	}
	var samples []waveform.Sample
	for _, p := range rise {
		samples = append(samples, waveform.Sample{T: p.T, V: p.V})
	}
	m := waveform.SeriesResistance(samples, quantity.Amperes(current.Number), quantity.Amperes(ofLimits)*amperesError, quantity.Volts(ofLimits)*voltsError)
	return measure(m, quantity.Ohm, "bus, bus_meter"), nil
}

// stored_energy(capacitance, voltage) is what a charged capacitance holds, ½·C·U², with the uncertainty of both.
func storedEnergy(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var c, u measured
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "capacitance", &c, "voltage", &u); err != nil {
		return nil, err
	}
	if err := c.need(b.Name()+": capacitance", quantity.Farad); err != nil {
		return nil, err
	}
	if err := u.need(b.Name()+": voltage", quantity.Volt); err != nil {
		return nil, err
	}
	e := waveform.StoredEnergy(quantity.Farads(c.Number), quantity.Volts(u.Number)).Value()
	byC, byU := u.Number*u.Number/2*c.uncertainty, math.Abs(c.Number*u.Number)*u.uncertainty
	parts := verdict.NewBudget(e.Unit)
	parts.Half("the capacitance", byC)
	parts.Half("the voltage, which counts twice", byU)
	return measured{Value: e, uncertainty: math.Hypot(byC, byU), budget: parts.Parts, instrument: together(c.instrument, u.instrument)}, nil
}
