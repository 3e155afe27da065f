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

// traceFigures draw the traces that a run kept.
func (r Run) traceFigures() []Figure {
	var out []Figure
	for _, kept := range r.Traces {
		var t waveform.Trace
		if len(out) == mostTraces || json.Unmarshal(kept.Data, &t) != nil || t.Len() < 2 {
			continue
		}
		out = append(out, Figure{picture.Chart{X: picture.Axis{Title: "time", Unit: quantity.Second}, Y: picture.Axis{Title: kept.Name, Unit: quantity.Volt},
			Curves: []picture.Curve{thinned(kept.Name, t)}}, "Trace: " + kept.Name})
	}
	return out
}

// thinned draws the lowest and the highest voltage of each stretch, so that a spike of one sample is still seen.
func thinned(name string, t waveform.Trace) picture.Curve {
	const stretches = 700
	c := picture.Curve{Name: name}
	extents := t.Envelope(stretches)
	for i, e := range extents {
		at := float64(t.Start) + float64(t.Duration())*float64(i)/float64(len(extents))
		c.X = append(c.X, at, at)
		c.Y = append(c.Y, float64(e.Low), float64(e.High))
	}
	return c
}
