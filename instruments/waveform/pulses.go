package waveform

import (
	"fmt"
	"math"

	"benchwarden/instruments/quantity"
)

// Kind is the class of a record.
type Kind string

// The classes: a level that stands still; pulses; and what is neither, with the reason beside it.
const (
	Constant Kind = "constant"
	Pulsing  Kind = "pulsing"
	Unclear  Kind = "unclear"
)

// Options are what the caller knows beyond the trace. The zero value is usable.
type Options struct {
	// MinAmplitude: a swing below it is a constant level. Three codes and six times the noise always are.
	MinAmplitude quantity.Volts
	// Expected is the amplitude that the signal should have; it lets a wrong probe factor be told from a wrong level.
	Expected quantity.Volts
	// Hysteresis around the middle, as a share of the amplitude: what does not go from one side of it to the other is no
	// crossing. 0 is 0.25.
	Hysteresis quantity.Ratio
	// EdgeSamples is how many samples a transition needs between 10 % and 90 % for its duration to be told. 0 is 5.
	EdgeSamples float64
	// Gain, Offset and Timebase are the instrument's limits of error as its data sheet states them: the error lies anywhere
	// between them. They enter every U.
	Gain     quantity.Ratio
	Offset   quantity.Volts
	Timebase quantity.Ratio
}

func (o Options) withDefaults() Options {
	if o.Hysteresis == 0 {
		o.Hysteresis = 0.25
	}
	if o.EdgeSamples == 0 {
		o.EdgeSamples = 5
	}
	return o
}

// Pulses is what Analyse finds. Volts and seconds; Duty, Overshoot and Undershoot are ratios (0.05 is 5 %) of the period
// and of the amplitude.
type Pulses struct {
	Kind   Kind   `json:"kind"`
	Reason string `json:"reason,omitempty"` // why Unclear
	Change string `json:"change,omitempty"` // what would make it clear

	Level     Measure `json:"level"` // of a constant record
	Low       Measure `json:"low"`
	High      Measure `json:"high"`
	Amplitude Measure `json:"amplitude"`
	Min       float64 `json:"min"` // lowest and highest sample of the record
	Max       float64 `json:"max"`
	Noise     float64 `json:"noise"` // standard deviation, V

	Rise       Measure `json:"rise"` // transition durations 10 % to 90 %, mean
	Fall       Measure `json:"fall"`
	PulseWidth Measure `json:"pulse_width"` // 50 % to 50 %, high, mean
	Period     Measure `json:"period"`
	Frequency  Measure `json:"frequency"`
	Duty       Measure `json:"duty"`
	Overshoot  Measure `json:"overshoot"`  // beyond the state that a transition ends in, mean over the worse kind of edge
	Undershoot Measure `json:"undershoot"` // short of that state again after it was reached, the same
	Jitter     Measure `json:"jitter"`     // standard deviation of the period

	NarrowestPulse float64 `json:"narrowest_pulse"` // s, 0 without a whole pulse
	WidestPulse    float64 `json:"widest_pulse"`

	Count   int `json:"count"` // whole high pulses
	Rises   int `json:"rises"`
	Falls   int `json:"falls"`
	Clipped int `json:"clipped"` // samples at an end of the converter
	// EdgeSamples is the number of samples on the faster kind of edge, 10 % to 90 %; below 1 the edge fell between two.
	EdgeSamples float64 `json:"edge_samples"`
}

// IsHigh tells on which side of a threshold a constant record lies; not decided where it pulses, is clipped or lies within U.
func (p Pulses) IsHigh(threshold quantity.Volts) (high, decided bool) {
	if p.Kind != Constant || !p.Level.Known() || math.Abs(p.Level.Value-float64(threshold)) <= p.Level.U {
		return false, false
	}
	return p.Level.Value > float64(threshold), true
}

// stateless is how far, as a share of the amplitude, a trace may go beyond both of its state levels before these are none.
const stateless = 0.75

// Analyse measures the pulses of a trace after IEEE Std 181: state levels by histogram, reference instants by linear
// interpolation at 10 %, 50 % and 90 %.
func Analyse(t Trace, o Options) Pulses {
	o = o.withDefaults()
	p := Pulses{}
	if t.Len() < 8 || t.Step <= 0 {
		return p.unclear("capture a longer record", "the record holds %d samples %v apart: too few to tell anything", t.Len(), t.Step)
	}
	h := t.codes.histogram()
	if h.unusable {
		return p.unclear("read the record again", "the record holds values that are no finite numbers")
	}
	a := newAnalysis(t, o, &h)
	p.Min, p.Max, p.Noise = t.volts(h.low), t.volts(h.high), a.noise*t.scale
	p.Clipped = a.clippedLow + a.clippedHigh

	swing := (a.high.level - a.low.level) * t.scale
	if quiet := max(3*a.resolution, 6*a.noise) * t.scale; swing < max(quiet, float64(o.MinAmplitude)) || h.low == h.high {
		if spread := h.high - h.low; spread > 3*a.resolution && spread < 3.5*a.noise {
			return p.unclear("sample faster", "every sample differs from its neighbours by about the whole swing of %v: a signal faster than the sampling (alias)",
				quantity.Volts(spread*t.scale))
		}
		return a.constant(p)
	}
	if below, above := (a.low.level-h.low)*t.scale, (h.high-a.high.level)*t.scale; min(below, above) > stateless*swing {
		return p.unclear("look at the trace: a triangle or a sine has no levels", "the trace stands at no two levels: it goes %v below and %v above those that it shows most often",
			quantity.Volts(below), quantity.Volts(above))
	}
	a.levels(&p)
	a.edges()
	a.transitions(&p)
	a.timing(&p)
	a.shape(&p)
	switch {
	case a.rises+a.falls == 0:
		return p.unclear("look at the trace", "the record leaves its level without reaching another")
	case a.rises < 2 && a.falls < 2:
		p.Kind = Unclear
		p.Reason = fmt.Sprintf("%d rising and %d falling edge in %v: one change is no pulse train", a.rises, a.falls, t.Duration())
		p.Change = "capture a longer record"
		return p
	}
	p.Kind = Pulsing
	return p
}

func (p Pulses) unclear(change, format string, args ...any) Pulses {
	p.Kind, p.Reason, p.Change = Unclear, fmt.Sprintf(format, args...), change
	nothing := Measure{Undecided: p.Reason, Change: change}
	for _, m := range []*Measure{&p.Level, &p.Low, &p.High, &p.Amplitude, &p.Rise, &p.Fall, &p.PulseWidth, &p.Period,
		&p.Frequency, &p.Duty, &p.Overshoot, &p.Undershoot, &p.Jitter} {
		if m.Undecided == "" && m.Value == 0 && m.U == 0 {
			*m = nothing
		}
	}
	return p
}

// constant judges a record without a swing.
func (a *analysis) constant(p Pulses) Pulses {
	t := a.t
	nothing := undecided("none needed if this level is right", "no edge: the record stands still")
	for _, m := range []*Measure{&p.Low, &p.High, &p.Amplitude, &p.Rise, &p.Fall, &p.PulseWidth, &p.Period, &p.Frequency,
		&p.Duty, &p.Overshoot, &p.Undershoot, &p.Jitter} {
		*m = nothing
	}
	p.Kind = Constant
	var sum float64
	for b, n := range a.h.count {
		if n > 0 {
			sum += a.h.sum[b]
		}
	}
	mean := sum / float64(a.h.n)
	value := t.volts(mean)
	var u budget
	u.scatters(a.noise / math.Sqrt(float64(a.h.n)))
	dither := a.noise
	if a.h.high-a.h.low < 1.5*a.resolution {
		dither = 0
	}
	u.within(quantised(dither, a.resolution))
	p.Level = a.level(value, "resolution and noise of the trace", u)
	if p.Clipped*2 > t.Len() {
		bound := p.Level.Value
		p.Level = undecided("choose a larger full scale or move the centre", "clipped: the level lies at or beyond the end of the scope's range, %v", quantity.Volts(bound))
		if a.clippedHigh > a.clippedLow {
			p.Level.AtLeast = bound
		} else {
			p.Level.AtMost = bound
		}
	}
	return p
}

// The instrument's own contributions to a level.
const (
	gainPart   = "accuracy of the scope, of reading"
	offsetPart = "accuracy of the scope, fixed"
)

// level is a voltage with its budget in codes, and what the instrument's own errors add to that.
func (a *analysis) level(value float64, name string, codes budget) Measure {
	var own, gain, offset budget
	own.plus(codes, a.t.scale)
	gain.within(float64(a.o.Gain) * value)
	offset.within(float64(a.o.Offset))
	return statedBy(value, portion{name, own}, portion{gainPart, gain}, portion{offsetPart, offset})
}

// levels fills the state levels in and says when they cannot be trusted.
func (a *analysis) levels(p *Pulses) {
	t := a.t
	low, high := t.volts(a.low.level), t.volts(a.high.level)
	const of = "resolution, noise and ringing of the trace"
	p.Low, p.High = a.level(low, of, a.low.u), a.level(high, of, a.high.u)
	var swing, gain budget
	swing.plus(a.low.u, t.scale)
	swing.plus(a.high.u, t.scale)
	gain.within(float64(a.o.Gain) * (high - low))
	p.Amplitude = statedBy(high-low, portion{of, swing}, portion{gainPart, gain})
	const wider = "choose a larger full scale or move the centre"
	if a.lowClipped {
		p.Low = undecided(wider, "clipped: the low level lies at or below the end of the scope's range, %v", quantity.Volts(low))
		p.Low.AtMost = low
	}
	if a.highClipped {
		p.High = undecided(wider, "clipped: the high level lies at or beyond the end of the scope's range, %v", quantity.Volts(high))
		p.High.AtLeast = high
	}
	if a.lowClipped || a.highClipped {
		p.Amplitude = undecided(wider, "clipped: the swing is at least %v", quantity.Volts(high-low))
		p.Amplitude.AtLeast = high - low
	}
	if codes := a.high.level - a.low.level; a.resolution > 0 && codes < 10*a.resolution {
		why := undecided("choose a smaller full scale", "the swing covers %.0f codes only: the range is too coarse for this signal", codes/a.resolution)
		p.Low, p.High, p.Amplitude = why, why, why
	}
	if e := float64(a.o.Expected); e > 0 {
		for _, factor := range []float64{10, 0.1} {
			if r := (high - low) / e / factor; r > 0.8 && r < 1.25 {
				why := undecided("compare the factor at the probe with the one in the bench file",
					"the swing of %v is %v times the expected %v: most likely the probe factor is wrong", quantity.Volts(high-low), factor, a.o.Expected)
				p.Low, p.High, p.Amplitude = why, why, why
			}
		}
	}
}
