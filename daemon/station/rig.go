package station

import (
	"context"
	"fmt"
	"time"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/script"
	"benchwarden/instruments/hall"
	"benchwarden/instruments/link"
	"benchwarden/instruments/meter"
	"benchwarden/instruments/quantity"
)

// rig is the bench as one run's script may touch it.
type rig struct {
	station     *Station
	family      *drive.Family
	stage       drive.Stage
	unit        string
	job         string // empty: the run belongs to none
	by          string // who runs it
	leadsPlaced bool   // hands have put a meter's leads on the dead drive
	part        script.Part
	probing     string // why hands may come near what is energised above the bounds; empty: they may not
}

var _ script.Rig = (*rig)(nil)

func (r *rig) bench() *bench.Bench { return r.station.bench }

func (r *rig) Part() script.Part { return r.part }

func (r *rig) Emit(b event.Body) { r.station.emit(b) }

func (r *rig) HasRole(role string) bool {
	_, ok := r.station.cfg.File.Instruments[role]
	return ok
}

func (r *rig) ByHand(role string) bool { return r.station.cfg.File.ByHand(role) }

func (r *rig) Tighten(name string, high quantity.Value) (func(), error) {
	return r.station.warden.Tighten(name, high)
}

func (r *rig) Allowed(role string, v quantity.Volts, limit quantity.Amperes) error {
	return r.bench().Allowed(role, v, limit)
}

func (r *rig) SwitchOn(ctx context.Context, role string, v quantity.Volts, limit quantity.Amperes) error {
	return r.bench().SwitchOn(ctx, bench.Output{Role: role, Voltage: v, Current: limit})
}

func (r *rig) SwitchOff(ctx context.Context, role string) error {
	return r.bench().SwitchOff(ctx, role)
}

func (r *rig) SetVoltage(ctx context.Context, role string, v quantity.Volts) error {
	return r.bench().SetVoltage(ctx, role, v)
}

func (r *rig) SetCurrent(ctx context.Context, role string, limit quantity.Amperes) error {
	return r.bench().SetCurrent(ctx, role, limit)
}

func (r *rig) Limiter() (kind, value string) {
	l := r.station.cfg.File.Limiter
	return l.Kind, l.Value
}

func (r *rig) OutputCapacitance(role string) quantity.Farads {
	if in := r.station.cfg.File.Instruments[role]; in != nil {
		return in.OutputCapacitance
	}
	return 0
}

func (r *rig) PullsDown(role string) bool {
	in := r.station.cfg.File.Instruments[role]
	return in != nil && in.Sinks > 0
}

// nextWithin bounds the wait for a poll; the warden's own age limit trips before it where one is in force.
const nextWithin = 5 * time.Second

func (r *rig) Next(ctx context.Context, name string) (script.Reading, error) {
	ctx, cancel := context.WithTimeoutCause(ctx, nextWithin, fmt.Errorf("%s: no reading within %v", name, nextWithin))
	defer cancel()
	s, err := again(ctx, name, func() (bench.Sample, error) { return r.bench().Next(ctx, name) }, func(text string) { r.Emit(event.Note{Text: text}) })
	if err != nil {
		return script.Reading{}, err
	}
	role, of := roleOf(name), name[len(roleOf(name))+1:]
	reading := script.Reading{Name: name, Value: s.Value, Text: s.Text, Instrument: s.Instrument, At: s.Asked.Add(s.Arrived.Sub(s.Asked) / 2)}
	if s.Text == "" {
		reading.Uncertainty, reading.Accuracy = r.accuracy(role, of, s.Value.Number)
	}
	return reading, nil
}

func (r *rig) HallSpacing(ctx context.Context, degrees int) error {
	return r.bench().Hall().Spacing(ctx, degrees)
}

func (r *rig) HallOutput(ctx context.Context, on bool) error { return r.bench().Hall().Output(ctx, on) }

func (r *rig) HallCode(ctx context.Context, code int) error { return r.bench().Hall().Code(ctx, code) }

var hallLines = map[string]hall.Line{"driven": hall.Driven, "open": hall.Open, "short": hall.Short}

func (r *rig) HallLine(ctx context.Context, line int, state string) error {
	l, ok := hallLines[state]
	if !ok {
		return fmt.Errorf("hall line %d: %q is none of driven, open, short", line, state)
	}
	return r.bench().Hall().Line(ctx, line, l)
}

func (r *rig) HallLines(ctx context.Context) (int, error) { return r.bench().Hall().Sense(ctx) }

func (r *rig) Contact(ctx context.Context, name string, closed bool) error {
	return r.bench().SetContact(ctx, name, closed)
}

func (r *rig) Input(ctx context.Context, name string) (bool, error) {
	return r.bench().Input(ctx, name)
}

func (r *rig) HasContact(name string) bool { return r.bench().HasContact(name) }

var meterFunctions = map[string]meter.Function{
	"volts": meter.DCVolts, "amperes": meter.DCCurrent, "ohms": meter.Ohms, "diode": meter.Diode, "temperature": meter.Temperature,
}

var accuracyOf = map[string]string{"volts": "voltage", "amperes": "current", "ohms": "resistance", "diode": "voltage", "temperature": "temperature"}

func (r *rig) MeterRead(ctx context.Context, function string) (script.Reading, error) {
	f, ok := meterFunctions[function]
	if !ok {
		return script.Reading{}, fmt.Errorf("meter: %q is none of volts, amperes, ohms, diode, temperature", function)
	}
	if f == meter.Ohms && r.FourWire() {
		f = meter.FourWire
	}
	m, err := r.bench().Meter()
	if err != nil {
		return script.Reading{}, err
	}
	v, err := m.Read(ctx, link.Script, f)
	if err != nil {
		return script.Reading{}, err
	}
	u, statement := r.accuracy(bench.Meter, accuracyOf[function], v.Number)
	reading := script.Reading{Name: "meter." + function, Value: v, Uncertainty: u, Accuracy: statement, Instrument: bench.Meter, At: time.Now()}
	r.Emit(event.Reading{Name: reading.Name, Value: v, Asked: reading.At, Arrived: reading.At, Instrument: bench.Meter})
	return reading, nil
}
