package gates

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/stat/distuv"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// analysed is a figure that a unit may have, with its limits and the whole way from signal to measure: an instrument drawn anew
// within its limits of error, steps, noise, analysis.
type analysed struct {
	name      string
	low, high float64
	upper     bool // low is no limit: only the least that good units have
	measure   func(r *rand.Rand, truth float64) waveform.Measure
}

// within draws a sound unit.
func (f analysed) within(r *rand.Rand) float64 { return f.low + (f.high-f.low)*r.Float64() }

func (f analysed) limits() (low, high *float64) {
	if f.upper {
		return nil, &f.high
	}
	return &f.low, &f.high
}

// at is the value that lies so far out: 1 is on a limit, on either side in turn, 0 in the middle of two limits or at nothing.
func (f analysed) at(part float64, k int) float64 {
	if f.upper {
		return part * f.high
	}
	return (f.high+f.low)/2 + float64(2*(k%2)-1)*part*f.half()
}

func (f analysed) half() float64 {
	if f.upper {
		return f.high
	}
	return (f.high - f.low) / 2
}

// instrumentError draws an error evenly within limits of ±half.
func instrumentError(r *rand.Rand, half float64) float64 { return half * (2*r.Float64() - 1) }

const gain, offset = 0.005, 0.05 // the scope's limits of error, V

// scopeErrors are one scope's.
type scopeErrors struct{ gain, offset float64 }

func drawScope(r *rand.Rand) scopeErrors {
	return scopeErrors{instrumentError(r, gain), instrumentError(r, offset)}
}

var scopeOptions = waveform.Options{Gain: gain, Offset: offset}

// train is a pulse train between two levels with straight edges; rise and fall are 10 to 90 %.
type train struct {
	off, on, rise, fall   float64
	over                  float64 // ringing after the rising edge: how far it goes beyond the swing, as a part of it
	droop                 float64 // what the on level loses until the pulse ends
	first, period, length float64 // of the 50 % instants
	jitter                float64 // standard deviation of a period
	missing               int     // the pulse that is left out, from 1
}

// Ringing of 600 ns that dies away by a time constant of 1 µs; its first peak is that of a sine which decays.
const ringPeriod, ringTau = 600e-9, 1e-6

var ringPeak = func() float64 {
	w := 2 * math.Pi / ringPeriod
	at := math.Atan(w*ringTau) / w
	return math.Sin(w*at) * math.Exp(-at/ringTau)
}()

// record is what an 8-bit scope keeps of it, from -14 V to 22 V.
func (g train) record(r *rand.Rand, e scopeErrors, n int, step float64) waveform.Trace {
	const scale, low = 36.0 / 250, -14.0
	codes := make([]byte, n)
	start, next, pulse := g.first-g.period, g.first, 0
	for i := range codes {
		at := float64(i) * step
		for at >= next-g.rise {
			start, pulse = next, pulse+1
			next += g.period + g.jitter*r.NormFloat64()
		}
		up := min(1, max(0, (at-start)*0.8/g.rise+0.5))
		down := min(1, max(0, (at-start-g.length)*0.8/g.fall+0.5))
		if pulse == g.missing && pulse > 0 {
			up, down = 0, 0
		}
		v := g.off + (g.on-g.off)*(up-down)
		if age := at - start - g.rise/1.6; age > 0 && at < start+g.length {
			v += g.over*(g.on-g.off)*math.Sin(2*math.Pi*age/ringPeriod)*math.Exp(-age/ringTau)/ringPeak - g.droop*min(1, age/(g.length-(g.rise+g.fall)/1.6))
		}
		v = v*(1+e.gain) + e.offset + 0.03*r.NormFloat64()
		codes[i] = byte(max(1, min(254, int((v-low)/scale+0.5))))
	}
	t := waveform.FromUint8(codes, scale, low)
	t.Step = quantity.Seconds(step)
	return t
}

// sound is a gate as it should be, caught at a random instant.
func sound(r *rand.Rand) train {
	return train{off: -8, on: 15, rise: 300e-9, fall: 300e-9, first: 1e-6 + 10e-6*r.Float64(), period: 10e-6, length: 4e-6}
}

func gatePulses(r *rand.Rand, change func(*train)) waveform.Pulses {
	g := sound(r)
	change(&g)
	return waveform.Analyse(g.record(r, drawScope(r), 2000, 20e-9), scopeOptions)
}

// leg measures the two gates of a leg with so much dead time at both changeovers; below zero they overlap.
func leg(r *rand.Rand, dead float64) waveform.Timing {
	const skew = 10e-9 // the limits of error of what was taken off for the probes; U is 2·half/√3 (JCGM 100:2008, 4.3.7)
	high, low := sound(r), sound(r)
	high.period, high.length = 20e-6, 8e-6
	// Straight edges pass the threshold elsewhere than 50 %: earlier on the way up and later on the way down.
	threshold := 4.5
	passes := (0.5 - (threshold-high.off)/(high.on-high.off)) * 300e-9 / 0.8
	low.first, low.period, low.length = high.first+8e-6+dead+instrumentError(r, skew)+2*passes, 20e-6, 12e-6-2*dead-4*passes
	return waveform.Leg(high.record(r, drawScope(r), 6000, 20e-9), low.record(r, drawScope(r), 6000, 20e-9), waveform.LegOptions{
		SkewU: quantity.Seconds(skew * 2 / math.Sqrt(3)), ThresholdHigh: quantity.Volts(threshold), ThresholdLow: quantity.Volts(threshold), Gain: gain, Offset: offset})
}

var figures = append(partFigures, []analysed{
	{"gate level on", 13.5, 16.5, false, func(r *rand.Rand, truth float64) waveform.Measure {
		return gatePulses(r, func(g *train) { g.on = truth }).High
	}},
	{"gate level off", -9.5, -6.5, false, func(r *rand.Rand, truth float64) waveform.Measure {
		return gatePulses(r, func(g *train) { g.off = truth }).Low
	}},
	{"rise time", 200e-9, 600e-9, false, func(r *rand.Rand, truth float64) waveform.Measure {
		return gatePulses(r, func(g *train) { g.rise = truth }).Rise
	}},
	{"fall time", 200e-9, 600e-9, false, func(r *rand.Rand, truth float64) waveform.Measure {
		return gatePulses(r, func(g *train) { g.fall = truth }).Fall
	}},
	{"dead time", 2.2e-6, 4e-6, false, func(r *rand.Rand, truth float64) waveform.Measure { return leg(r, truth).HighToLow.Shortest }},
	{"jitter", 20e-9, 150e-9, true, func(r *rand.Rand, truth float64) waveform.Measure {
		g := sound(r)
		g.period, g.length, g.jitter = 4e-6, 2e-6, truth
		return waveform.Analyse(g.record(r, drawScope(r), 32_000, 40e-9), scopeOptions).Jitter
	}},
	{"ripple", 0.05, 0.4, true, func(r *rand.Rand, truth float64) waveform.Measure {
		const n, step, scale = 4096, 5e-6, 1.6 / 250
		codes := make([]byte, n)
		e, frequency, phase := drawScope(r), 600+2000*r.Float64(), r.Float64()
		for i := range codes {
			v := truth / 2 * math.Sin(2*math.Pi*(frequency*float64(i)*step+phase))
			codes[i] = byte(max(1, min(254, math.Round((v*(1+e.gain)+e.offset+0.002*r.NormFloat64()+0.8)/scale))))
		}
		t := waveform.FromUint8(codes, scale, -0.8)
		t.Step = step
		return waveform.FindRipple(t, scopeOptions).PeakToPeak
	}},
	{"rail", 14.1, 15.9, false, func(r *rand.Rand, truth float64) waveform.Measure {
		accuracy := verdict.Accuracy{Relative: 0.001, Absolute: 0.02, Unit: quantity.Volt}
		seen := truth + instrumentError(r, accuracy.At(truth))
		return waveform.Measure{Value: seen, U: accuracy.At(seen)}
	}},
	{"gate resistor", 4.59, 5.61, false, func(r *rand.Rand, truth float64) waveform.Measure {
		accuracy := verdict.Accuracy{Relative: 0.002, Absolute: 0.02, Unit: quantity.Ohm}
		const leads = 0.2
		seen, null := truth+leads+instrumentError(r, accuracy.At(truth+leads)), leads+instrumentError(r, accuracy.At(leads))
		var b verdict.Budget
		b.Limits("the reading", accuracy.At(seen))
		b.Limits("the nulled leads", accuracy.At(null))
		u, _ := b.Expanded()
		return waveform.Measure{Value: seen - null, U: u}
	}},
	{"capacitance", 376e-6, 564e-6, false, func(r *rand.Rand, truth float64) waveform.Measure {
		const amperes, voltsError, amperesError, own = 0.1, 0.02, 0.001, 100e-6
		var points []waveform.RampPoint
		v0, i0, c0 := instrumentError(r, voltsError), instrumentError(r, amperesError), own*(1+instrumentError(r, 0.05))
		for k := range 30 {
			at := 0.01 * float64(k)
			points = append(points, waveform.RampPoint{T: quantity.Seconds(at), V: quantity.Volts(amperes/(truth+c0)*at + v0 + 0.005*r.NormFloat64()),
				I: quantity.Amperes(amperes + i0)})
		}
		return waveform.FitRamp(points, waveform.RampOptions{SupplyCapacitance: own, SupplyError: own * 0.05, Limit: amperes, Target: 90,
			VoltageError: voltsError, CurrentError: amperesError}).Capacitance
	}},
	{"quiescent current", 0.020, 0.028, false, func(r *rand.Rand, truth float64) waveform.Measure {
		const amperesError = 0.0003
		var points []waveform.RampPoint
		e := instrumentError(r, amperesError)
		for k := range 6 {
			points = append(points, waveform.RampPoint{T: quantity.Seconds(0.1 * float64(k)), V: 90, I: quantity.Amperes(truth + e + 1e-4*r.NormFloat64())})
		}
		return waveform.Quiescent(points, amperesError)
	}},
	// The bleeder is judged by the time constant with its capacitance.
	{"discharge", 1.4, 2.6, false, func(r *rand.Rand, truth float64) waveform.Measure {
		const voltsError = 0.02
		var samples []waveform.Sample
		e := instrumentError(r, voltsError)
		for at := 0.0; at < 2.8*truth; at += 0.2 {
			v := 90*math.Exp(-at/truth) + e + 0.005*r.NormFloat64()
			samples = append(samples, waveform.Sample{T: quantity.Seconds(at), V: quantity.Volts(v)})
		}
		return waveform.FitDischarge(samples, voltsError).TimeConstant
	}},
	{"reference gain", 0.95, 1.05, false, func(r *rand.Rand, truth float64) waveform.Measure {
		f := input{gain: 0.1 * truth}.sweep(r).positive
		return waveform.Measure{Value: f.Gain / 0.1, U: k95(f)*f.GainU/0.1 + 2*sourceU/10}
	}},
	{"reference offset", -0.1, 0.1, false, func(r *rand.Rand, truth float64) waveform.Measure {
		s := input{gain: 0.1, offset: truth}.sweep(r)
		return waveform.Measure{Value: (s.positive.Zero + s.negative.Zero) / 2, U: s.zeroU()}
	}},
	{"reference dead zone", 0, 0.2, true, func(r *rand.Rand, truth float64) waveform.Measure {
		s := input{gain: 0.1, zone: truth}.sweep(r)
		return waveform.Measure{Value: s.positive.Zero - s.negative.Zero, U: 2 * s.zeroU()}
	}},
	{"reference linearity", 0, 0.02, true, func(r *rand.Rand, truth float64) waveform.Measure {
		s := input{gain: 0.1, bow: truth}.sweep(r)
		return waveform.Measure{Value: math.Max(s.positive.Worst, s.negative.Worst), U: dutyU}
	}},
}...)

// input is the drive's own reference input.
type input struct{ gain, offset, zone, bow float64 }

const (
	sourceU = 2e-3 // the reference source's limits of error, V
	dutyU   = 8e-4 // 95 % half width of one gate's duty
)

// asked are the references of a sweep in one polarity, V, as scripts/reference_sweep.star has them at a full scale of 10 V.
var asked = []float64{1, 2, 4, 6, 8}

type response struct{ positive, negative waveform.Response }

// sweep goes up and down with both polarities and fits a line to each, as the script does.
func (in input) sweep(r *rand.Rand) response {
	source := instrumentError(r, sourceU)
	fit := func(sign float64) waveform.Response {
		var references, outputs []float64
		for range 2 {
			for k, size := range asked {
				out := in.gain*(size+source*sign-in.zone/2-in.offset*sign) + in.bow*bent[k]
				// What is put out is the mean of what the two gates of the leg say.
				noise := dutyU / 2 * (r.NormFloat64() + r.NormFloat64()) / 2
				references, outputs = append(references, sign*size), append(outputs, sign*out+noise)
			}
		}
		f, err := waveform.FitResponse(references, outputs)
		if err != nil {
			panic(err)
		}
		return f
	}
	return response{fit(1), fit(-1)}
}

func (s response) zeroU() float64 {
	return (k95(s.positive)*s.positive.ZeroU+k95(s.negative)*s.negative.ZeroU)/2 + sourceU
}

func k95(f waveform.Response) float64 {
	return distuv.StudentsT{Sigma: 1, Nu: float64(f.Points - 2)}.Quantile(0.975)
}

// bent is a bow over the references whose greatest deviation from the line fitted to it is 1.
var bent = func() (bow []float64) {
	for _, x := range asked {
		bow = append(bow, x*x)
	}
	f, err := waveform.FitResponse(asked, bow)
	if err != nil {
		panic(err)
	}
	for k := range bow {
		bow[k] /= f.Worst
	}
	return bow
}()
