package waveform

import (
	"math"

	"benchwarden/instruments/quantity"
)

// analysis gathers over one walk along the edges what the measures are computed from. In samples and codes.
type analysis struct {
	t                       Trace
	o                       Options
	h                       *histogram
	noise, resolution       float64
	low, high               state
	clippedLow, clippedHigh int
	lowClipped, highClipped bool // a state itself, not only a peak

	rises, falls         int
	rise, fall           transition
	width, period        tally
	firstRise, lastRise  float64
	wide                 struct{ rise, fall float64 } // samples per code at 50 %, the sum of all
	afterRise, afterFall []region
}

// transition gathers one kind of edge.
type transition struct {
	duration   tally
	unfinished int     // edges that turned back before they reached 90 %
	low, high  tally   // samples per code at 10 % and 90 %
	cos, sin   float64 // sums over the positions of the 50 % instants between two samples, one turn a sample
}

// locked tells how alike the positions of the samples are in all edges: 1 where a period is a whole number of samples,
// next to 0 where they are spread evenly.
func (tr *transition) locked() float64 {
	return math.Hypot(tr.cos, tr.sin) / float64(max(tr.duration.n, 1))
}

func newAnalysis(t Trace, o Options, h *histogram) *analysis {
	a := &analysis{t: t, o: o, h: h, resolution: t.resolutionCodes()}
	a.noise = noise(t.codes, a.resolution)
	a.low, a.high = h.levels(a.noise, a.resolution)
	if h.low <= t.clipLow {
		a.clippedLow = t.codes.countBeyond(t.clipLow, false)
		a.lowClipped = a.low.level-t.clipLow < 0.5+a.noise && a.clippedLow*2 > a.low.n*t.Len()/max(h.n, 1)
	}
	if h.high >= t.clipHigh {
		a.clippedHigh = t.codes.countBeyond(t.clipHigh, true)
		a.highClipped = t.clipHigh-a.high.level < 0.5+a.noise && a.clippedHigh*2 > a.high.n*t.Len()/max(h.n, 1)
	}
	return a
}

// shapes is about how many edges of a kind are looked at for what is told as a mean over them: transition durations,
// overshoot, undershoot. They lie evenly over the record; instants, and with them counts, widths and periods, come from all.
const shapes = 512

// edges walks once along the trace.
func (a *analysis) edges() {
	s := a.t.codes
	amplitude := a.high.level - a.low.level
	middle := ReferenceLevel(a.low.level, a.high.level, 50)
	band := 3*a.noise + a.resolution/2
	c := newScan(s, middle, float64(a.o.Hysteresis)*amplitude, band)
	var started float64 // 50 % of the rise whose pulse is open
	var open bool
	previous := 0 // sample that proved the edge before
	every := 1    // edge of a kind whose shape is looked at
	x, more := c.next()
	for more {
		following, another := c.next()
		end := s.len()
		if another {
			end = following.confirm
		}
		if x.rising {
			if a.rises == 0 {
				a.firstRise = x.at
			} else {
				a.period.add(x.at - a.lastRise)
				if a.rises == 1 {
					every = 1 + int(float64(s.len())/(x.at-a.lastRise)/shapes)
				}
			}
			a.lastRise = x.at
			a.rises++
			a.wide.rise += x.perCode
			started, open = x.at, true
		} else {
			a.falls++
			a.wide.fall += x.perCode
			if open {
				a.width.add(x.at - started)
			}
		}
		if a.rises%every == 0 {
			a.transition(x, previous, end, band, amplitude)
		}
		previous = x.confirm
		x, more = following, another
	}
}

// transition measures one edge between the edge before and the one after it.
func (a *analysis) transition(x crossing, previous, end int, band, amplitude float64) {
	s := a.t.codes
	into, follows, near, far := &a.rise, &a.afterRise, 10.0, 90.0
	if !x.rising {
		into, follows, near, far = &a.fall, &a.afterFall, 90, 10
	}
	band = min(band, amplitude/10)
	from := int(x.at) + 1
	began, slopeBegan := s.before(min(from, s.len()-1), previous, ReferenceLevel(a.low.level, a.high.level, near), band, x.rising)
	ended, slopeEnded, ok := s.after(from-1, end, ReferenceLevel(a.low.level, a.high.level, far), band, x.rising)
	if !ok || slopeBegan == 0 {
		into.unfinished++
		return
	}
	duration := ended - began
	into.duration.add(duration)
	into.low.add(slopeBegan)
	into.high.add(slopeEnded)
	sin, cos := math.Sincos(2 * math.Pi * (x.at - math.Floor(x.at)))
	into.sin += sin
	into.cos += cos

	// Five durations hold the first peak and the first trough of any ringing that has a damping of 0.1 or more.
	first := int(ended) + 1
	last := min(first+int(math.Ceil(5*duration))+3, end, s.len())
	if last >= end { // the next edge follows: where it begins is no part of what this one settles to
		last = s.leaves(first, end, ReferenceLevel(a.low.level, a.high.level, far), x.rising)
		if last < s.len() {
			last -= int(math.Ceil(duration/2)) + 1
		}
	}
	if last-first < 2 {
		return
	}
	*follows = append(*follows, region{x.at, first, last})
}

// edgeSamples is the mean number of samples on an edge, 10 % to 90 %.
func (tr *transition) edgeSamples() float64 {
	if tr.duration.n == 0 {
		return 0
	}
	return tr.duration.mean()
}

// transitions fills the transition durations in.
func (a *analysis) transitions(p *Pulses) {
	p.Rises, p.Falls = a.rises, a.falls
	p.Rise = a.duration(&a.rise, "rising")
	p.Fall = a.duration(&a.fall, "falling")
	switch {
	case a.rise.duration.n == 0:
		p.EdgeSamples = a.fall.edgeSamples()
	case a.fall.duration.n == 0:
		p.EdgeSamples = a.rise.edgeSamples()
	default:
		p.EdgeSamples = min(a.rise.edgeSamples(), a.fall.edgeSamples())
	}
}

func (a *analysis) duration(tr *transition, name string) Measure {
	step := float64(a.t.Step)
	switch {
	case tr.duration.n == 0 && tr.unfinished > 0:
		return undecided("look at the trace", "no %s edge goes from 10 %% to 90 %%", name)
	case tr.duration.n == 0:
		return undecided("capture a longer record", "no %s edge in the record", name)
	case a.lowClipped || a.highClipped:
		return undecided("choose a larger full scale or move the centre", "clipped: 10 %% and 90 %% of the amplitude are not known")
	}
	edge := tr.duration.mean()
	u := a.durationU(tr, edge)
	if edge < a.o.EdgeSamples {
		m := undecided("sample faster", "%.1f samples on the %s edge where %.0f are needed: it takes at most %v",
			edge, name, a.o.EdgeSamples, quantity.Seconds((edge+u.expanded())*step))
		m.AtMost = (edge + u.expanded()) * step
		return m
	}
	var inSeconds budget
	inSeconds.plus(u, step)
	return stated((edge-latenessAt(0.9, edge).middle()+latenessAt(0.1, edge).middle())*step, inSeconds)
}

// durationU is the uncertainty of the mean transition duration, in samples.
func (a *analysis) durationU(tr *transition, edge float64) (u budget) {
	// 10 % and 90 % move with the state levels.
	low, high := tr.low.mean(), tr.high.mean()
	u.plus(a.low.u, math.Abs(0.1*high-0.9*low))
	u.plus(a.high.u, math.Abs(0.9*high-0.1*low))
	begins, ends := latenessAt(0.1, edge), latenessAt(0.9, edge)
	u.within(begins.half())
	u.within(ends.half())
	// Without noise, all edges cross where the code changes.
	step := a.resolution / 2
	if a.noise > 0.54*a.resolution { // more than two codes that toggle
		step = quantised(a.noise, a.resolution)
	}
	u.within(step * low)
	u.within(step * high)
	alone := quadrature(a.noise, a.resolution/math.Sqrt(12)) * quadrature(low, high)
	u.scatters(repeated(tr.duration, alone, quadrature(begins.scatter, ends.scatter), tr.locked()))
	u.within(float64(a.o.Timebase) * edge)
	return u
}

// few is how many repetitions a standard deviation needs before it stands for itself.
const few = 8

// repeated is the standard uncertainty of a mean over repetitions that scatter as found. With few of them the scatter is
// no less than what noise and sampling do to one. What the sampling does is the same in all of them as far as they are
// locked to it, and does not show as scatter.
func repeated(t tally, noise, sampling, locked float64) float64 {
	scatter := t.deviation()
	if t.n < few {
		scatter = max(scatter, quadrature(noise, sampling))
	} else {
		scatter *= studentT(t.n-1) / 1.96
	}
	return quadrature(scatter/math.Sqrt(float64(max(t.n, 1))), sampling*locked)
}

// timing fills width, period and what follows from them in.
func (a *analysis) timing(p *Pulses) {
	step := float64(a.t.Step)
	p.Count = a.width.n
	p.NarrowestPulse, p.WidestPulse = a.width.least*step, a.width.greatest*step
	rise, fall := a.wide.rise/float64(max(a.rises, 1)), a.wide.fall/float64(max(a.falls, 1))
	code := a.resolution / math.Sqrt(12)
	steepness := quadrature(a.noise, code)
	upEdge, downEdge := a.rise.edgeSamples(), a.fall.edgeSamples()
	timebase := float64(a.o.Timebase)
	var widthU budget // without the time base, which a duty does not see

	const longer = "capture a longer record"
	switch {
	case a.width.n == 0:
		p.PulseWidth = undecided(longer, "no whole pulse in the record")
	case a.lowClipped || a.highClipped:
		p.PulseWidth = undecided("choose a larger full scale or move the centre", "clipped: the middle of the amplitude is not known")
	default:
		w := a.width.mean() - midwayBias(downEdge) + midwayBias(upEdge)
		widthU.plus(a.low.u, (rise+fall)/2) // a level moves both ends of a pulse, in opposite directions
		widthU.plus(a.high.u, (rise+fall)/2)
		widthU.within(midwayLimit(upEdge))
		widthU.within(midwayLimit(downEdge))
		widthU.scatters(repeated(a.width, steepness*quadrature(rise, fall), quadrature(midwayScatter(upEdge), midwayScatter(downEdge), code*rise, code*fall),
			max(a.rise.locked(), a.fall.locked())))
		var u budget
		u.plus(widthU, step)
		u.within(timebase * w * step)
		p.PulseWidth = stated(w*step, u)
	}
	if a.period.n == 0 {
		why := undecided(longer, "%d rising edge in %v: not one whole period", a.rises, a.t.Duration())
		p.Period, p.Frequency, p.Duty, p.Jitter = why, why, why, why
		return
	}
	mean := (a.lastRise - a.firstRise) / float64(a.period.n)
	if mean < 5 {
		why := undecided("sample faster", "%.1f samples a period: the pulses may be faster than they look (alias)", mean)
		p.Period, p.Frequency, p.Duty, p.Jitter, p.PulseWidth = why, why, why, why, why
		return
	}
	jitter := a.period.deviation()
	n := float64(a.period.n)
	// The first and the last edge only: what lies between them cancels.
	ends := max(jitter, math.Sqrt2*quadrature(steepness*rise, midwayScatter(upEdge))) / n
	var u, frequencyU, dutyU budget
	u.scatters(ends * step)
	u.within(timebase * mean * step)
	p.Period = stated(mean*step, u)
	frequencyU.plus(u, 1/(mean*mean*step*step))
	p.Frequency = stated(1/(mean*step), frequencyU)
	if p.PulseWidth.Known() {
		d := p.PulseWidth.Value / step / mean
		dutyU.plus(widthU, 1/mean)
		dutyU.scatters(d * ends / mean)
		p.Duty = stated(d, dutyU)
	} else {
		p.Duty = p.PulseWidth
	}
	if a.period.n < 5 {
		p.Jitter = undecided(longer, "%d periods in the record: jitter needs at least 5", a.period.n)
		return
	}
	// What the instants themselves scatter looks like jitter: it is not taken off, it widens U.
	var jitterU budget
	jitterU.scatters(jitter / math.Sqrt(2*(n-1)) * step)
	jitterU.scatters(math.Sqrt2 * quadrature(steepness*rise, midwayScatter(upEdge)) * step)
	p.Jitter = stated(jitter*step, jitterU)
}
