package report

import (
	"encoding/json"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/daemon/picture"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// sample is one reading at the bus.
type sample struct {
	at   time.Time
	name string
	x    float64
}

// rampNames are the readings that a picture of the bus is drawn from.
var rampNames = []string{"bus_meter.voltage", "bus.current"}

func (r *Run) watchBus(e event.Event, b event.Reading) {
	if b.Error != "" || b.Text != "" || (b.Name != rampNames[0] && b.Name != rampNames[1]) {
		return
	}
	r.ramp = append(r.ramp, sample{b.Arrived, b.Name, b.Value.Number})
}

// leastRamp is the bus voltage from which on a run has something to show of it.
const leastRamp = 5

// rampFigures draw voltage and current of the DC bus over the run, where it was brought up.
func (r Run) rampFigures() []Figure {
	var out []Figure
	for _, kind := range []struct{ name, title, caption string }{
		{rampNames[0], "DC bus", "DC bus voltage at the drive's own terminals over the run"},
		{rampNames[1], "current", "Current of the bus supply over the run"},
	} {
		curve := picture.Curve{Name: kind.title}
		highest := 0.0
		for _, s := range r.ramp {
			if s.name == rampNames[0] {
				highest = max(highest, s.x)
			}
			if s.name == kind.name {
				curve.X = append(curve.X, s.at.Sub(r.ramp[0].at).Seconds())
				curve.Y = append(curve.Y, s.x)
			}
		}
		if highest < leastRamp || len(curve.X) < 2 {
			continue
		}
		unit := quantity.Volt
		if kind.name == rampNames[1] {
			unit = quantity.Ampere
		}
		out = append(out, Figure{picture.Chart{X: picture.Axis{Title: "time", Unit: quantity.Second}, Y: picture.Axis{Title: kind.title, Unit: unit},
			Curves: []picture.Curve{curve}}, kind.caption})
	}
	return out
}

// mostTraces is how many kept traces of a run are drawn; all of them are in the export.
const mostTraces = 12

// traceFigures draw the traces that a run kept, first the suspect ones, each over the band of its siblings.
func (r Run) traceFigures() []Figure {
	var out []Figure
	beside := map[string][]waveform.Trace{}
	read := func(kept event.Trace) (t waveform.Trace, ok bool) {
		return t, json.Unmarshal(kept.Data, &t) == nil && t.Len() >= 2
	}
	for _, kept := range r.Traces {
		if t, ok := read(kept); ok && kept.Beside != "" {
			beside[kept.Beside] = append(beside[kept.Beside], t)
		}
	}
	for _, kept := range r.Traces {
		if t, ok := read(kept); ok && len(beside[kept.Name]) > 0 && len(out) < mostTraces {
			chart, says := picture.Over(t, beside[kept.Name], quantity.Volt)
			out = append(out, Figure{chart, kept.Name + ", over the band of its siblings, each aligned at its own edge. " + says})
		}
	}
	for _, kept := range r.Traces {
		t, ok := read(kept)
		if !ok || kept.Beside != "" || len(beside[kept.Name]) > 0 || len(out) == mostTraces {
			continue
		}
		curve := picture.OfTrace(t)
		curve.Name = kept.Name
		out = append(out, Figure{picture.Chart{X: picture.Axis{Title: "time", Unit: quantity.Second}, Y: picture.Axis{Title: kept.Name, Unit: quantity.Volt},
			Curves: []picture.Curve{curve}}, "Trace: " + kept.Name})
	}
	return out
}
