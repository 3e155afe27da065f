package gates

import (
	"math"
	"math/rand/v2"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// oneMeter is a meter within its limits of error; the errors of its readings go together as long as it stays in its range.
type oneMeter struct {
	verdict.Accuracy
	gain, offset float64 // parts of the limits, -1 to 1
}

func drawMeter(r *rand.Rand, relative quantity.Ratio, absolute float64) oneMeter {
	return oneMeter{verdict.Accuracy{Relative: relative, Absolute: absolute}, instrumentError(r, 1), instrumentError(r, 1)}
}

func (m oneMeter) read(truth float64) waveform.Measure {
	seen := truth*(1+m.gain*float64(m.Relative)) + m.offset*m.Absolute
	return waveform.Measure{Value: seen, U: m.At(seen)}
}

// partFigures are those of parts that a meter or a pulse shows by itself.
var partFigures = []analysed{
	{"overshoot", 0.1, 0.25, true, func(r *rand.Rand, truth float64) waveform.Measure {
		return gatePulses(r, func(g *train) { g.rise, g.over = 100e-9, truth }).Overshoot
	}},
	{"on level at its end", 1, 4, true, func(r *rand.Rand, truth float64) waveform.Measure { // what it has lost by then
		g := sound(r)
		g.droop = truth
		trace := g.record(r, drawScope(r), 2000, 20e-9)
		p := waveform.Analyse(trace, scopeOptions)
		end := sag(trace, p, scopeOptions).end
		return waveform.Measure{Value: g.on - end.Value, U: end.U, Undecided: end.Undecided}
	}},
	{"pulse width", 3.88e-6, 4.12e-6, false, func(r *rand.Rand, truth float64) waveform.Measure {
		return gatePulses(r, func(g *train) { g.length = truth }).PulseWidth
	}},
	{"gate resistor, one range", 4.59, 5.61, false, func(r *rand.Rand, truth float64) waveform.Measure {
		const leads = 0.2
		meter := drawMeter(r, 0.002, 0.02)
		seen, null := meter.read(truth+leads), meter.read(leads)
		var b verdict.Budget
		b.Limits("the reading", seen.U)
		b.Limits("the nulled leads", null.U)
		u, _ := b.Expanded()
		return waveform.Measure{Value: seen.Value - null.Value, U: u}
	}},
	{"bus resistance", 25e3, 35e3, false, func(r *rand.Rand, truth float64) waveform.Measure {
		return drawMeter(r, 0.0002, 0.02).read(truth)
	}},
	{"insulation", -10e6, -1e6, false, func(r *rand.Rand, truth float64) waveform.Measure { // from above: the least is the limit
		m := drawMeter(r, 0.01, 0.02).read(-truth)
		return waveform.Measure{Value: -m.Value, U: m.U}
	}},
	{"device diode", 0.4, 0.65, false, func(r *rand.Rand, truth float64) waveform.Measure {
		return drawMeter(r, 0.001, 2e-3).read(truth)
	}},
	{"current limit", 1.8, 2.2, false, func(r *rand.Rand, truth float64) waveform.Measure {
		return drawMeter(r, 0.001, 2e-3).read(truth)
	}},
	{"sensor offset", -0.05, 0.05, false, func(r *rand.Rand, truth float64) waveform.Measure {
		const scale = 2.5 // V/A
		m := drawMeter(r, 0.0001, 5e-3).read(truth * scale)
		return waveform.Measure{Value: m.Value / scale, U: m.U / scale}
	}},
	{"temperature rise", 5, 40, true, func(r *rand.Rand, truth float64) waveform.Measure {
		thermometer := drawMeter(r, 0.002, 1)
		begin, end := thermometer.read(22), thermometer.read(22+truth)
		return waveform.Measure{Value: end.Value - begin.Value, U: math.Min(begin.U+end.U, 2)}
	}},
}

// coarseFigures are those that the usual instrument cannot tell to a fifth of their tolerance.
var coarseFigures = []analysed{
	{"sensor gain", 0.95, 1.05, false, func(r *rand.Rand, truth float64) waveform.Measure {
		const scale, flowing = 2.5, 0.5 // V/A, A
		volts, amperes := drawMeter(r, 0.0001, 5e-3), drawMeter(r, 0.001, 2e-3).read(flowing)
		zero, loaded := volts.read(0.01), volts.read(0.01+truth*flowing*scale)
		seen := (loaded.Value - zero.Value) / scale
		// One meter: its errors may go together.
		return waveform.Measure{Value: seen / amperes.Value, U: (zero.U+loaded.U)/scale/amperes.Value + seen*amperes.U/amperes.Value/amperes.Value}
	}},
	{"drop of a high side", 0.5, 3.6, true, func(r *rand.Rand, truth float64) waveform.Measure {
		const whole, period, step = 60.0, 62.5e-6, 0.3e-6
		const scale, low = 90.0 / 250, -15.0
		e := drawScope(r)
		codes := make([]byte, 2500)
		for i := range codes {
			_, place := math.Modf(float64(i)*step/period + 0.4)
			v := 0.0
			if place < 0.6 {
				v = whole - truth
			}
			codes[i] = byte(max(1, min(254, math.Round((v*(1+2*e.gain)+e.offset+0.1*r.NormFloat64()-low)/scale))))
		}
		trace := waveform.FromUint8(codes, scale, low)
		trace.Step = step
		high := waveform.FitChopped(trace, waveform.ChoppedOptions{Absolute: offset, Relative: 2 * gain}).High
		bus := drawMeter(r, 0.0003, 20e-3).read(whole)
		return waveform.Measure{Value: bus.Value - high.Value, U: math.Hypot(bus.U, high.U), Undecided: high.Undecided}
	}},
}
