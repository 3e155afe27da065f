package hand

import (
	"context"
	"fmt"

	"benchwarden/instruments/link"
	"benchwarden/instruments/meter"
	"benchwarden/instruments/quantity"
)

// Meter is one that a person reads.
type Meter struct {
	name  string
	asker Asker
	most  map[meter.Function]Between
}

// NewMeter returns a hand-held meter. Readings beyond twice the highest voltage to be expected, of either sign, are doubted: what
// is only too high has to be heard. Nobody is asked anything yet.
func NewMeter(name string, asker Asker, highest quantity.Volts) *Meter {
	volt := (2 * highest).Value()
	return &Meter{name: name, asker: asker, most: map[meter.Function]Between{
		meter.DCVolts:     {volt.Neg(), volt},
		meter.DCCurrent:   {quantity.Amperes(-20).Value(), quantity.Amperes(20).Value()},
		meter.Ohms:        {quantity.Ohms(0).Value(), quantity.Ohms(1e9).Value()},
		meter.Diode:       {quantity.Volts(0).Value(), quantity.Volts(5).Value()},
		meter.Temperature: {quantity.Celsius(-40).Value(), quantity.Celsius(300).Value()},
	}}
}

// Name is the meter's role.
func (m *Meter) Name() string { return m.name }

// Has tells whether the person can be asked for a function.
func (m *Meter) Has(f meter.Function) bool {
	_, ok := m.most[f]
	return ok
}

var asked = map[meter.Function]string{
	meter.DCVolts: "direct voltage", meter.DCCurrent: "direct current", meter.Ohms: "resistance",
	meter.Diode: "diode's forward voltage", meter.Temperature: "temperature",
}

// Read asks the person for one reading.
func (m *Meter) Read(ctx context.Context, _ link.Priority, f meter.Function) (quantity.Value, error) {
	within, ok := m.most[f]
	if !ok {
		return quantity.Value{}, fmt.Errorf("%s, by hand: %s: %w", m.name, f, meter.ErrNotThere)
	}
	return value(ctx, m.asker, Question{Role: m.name, Act: string(f), Text: fmt.Sprintf("Read the %s on the %s.", asked[f], m.name)}, within)
}
