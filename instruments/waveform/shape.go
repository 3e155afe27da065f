package waveform

import "math"

const (
	fewestOnAnEdge   = 2 // samples, 10 % to 90 %, from which on the tip of a peak is told
	nothingStandsOut = "no peak stands out of the noise and the steps of the trace"
	lowEnough        = "none needed if the bound is low enough"
)

// excess is how far the mean shape of one kind of edge goes beyond a state, as a share of the amplitude.
type excess struct {
	Measure
	size float64 // by which the worse kind is told, known or not
}

// shape fills overshoot and undershoot in.
func (a *analysis) shape(p *Pulses) {
	overRise, underRise := a.peaks(a.afterRise, a.rise.edgeSamples(), true)
	overFall, underFall := a.peaks(a.afterFall, a.fall.edgeSamples(), false)
	p.Overshoot, p.Undershoot = worse(overRise, overFall), worse(underRise, underFall)
	if p.Clipped > 0 {
		m := undecided("choose a larger full scale or move the centre", "clipped: %d samples at the end of the scope's range cut the peaks off", p.Clipped)
		m.AtLeast = max(0, p.Overshoot.AtLeast, p.Overshoot.Value-p.Overshoot.U)
		p.Overshoot = m
	}
}

// open says that the tip may lie anywhere above what is sure.
func (e excess) open() bool { return !e.Known() && e.AtMost == 0 }

// worse is the greater of the two; where one of them is open, there is a lower bound only.
func worse(a, b excess) Measure {
	if b.open() != a.open() && b.open() || b.open() == a.open() && b.size > a.size {
		a, b = b, a
	}
	if a.open() {
		a.AtLeast = max(a.AtLeast, b.AtLeast)
		if b.Known() {
			a.AtLeast = max(a.AtLeast, b.Value-b.U)
		}
	}
	return a.Measure
}

// peaks finds the peak that follows one kind of edge, and the trough after that.
func (a *analysis) peaks(regions []region, duration float64, rising bool) (over, under excess) {
	state, other := a.high, a.low
	if !rising {
		state, other = a.low, a.high
	}
	regions = evenly(regions, shapesFolded)
	f := fold(a.t.codes, regions, state.level, duration, rising)
	if f == nil {
		none := excess{undecided("capture a longer record or sample faster", "no edge with a region after it to look at"), math.Inf(-1)}
		return none, none
	}
	amplitude := a.high.level - a.low.level
	scatter := quadrature(a.noise, a.resolution/math.Sqrt(12))
	bound := func(after, sign float64) excess {
		most := f.highest(after, widestPeak*duration/2, sign)
		var u budget
		u.plus(state.fine, 1)
		u.scatters(scatter / math.Sqrt(most.n))
		u.within(quantised(a.noise, a.resolution))
		m := undecided(lowEnough, nothingStandsOut)
		m.AtMost = (max(0, most.value) + u.expanded()) / amplitude
		return excess{m, m.AtMost}
	}
	judge := func(after, sign float64) (excess, float64) {
		t, ok := f.peak(after, duration, sign)
		if !ok || duration < fewestOnAnEdge {
			m := undecided("sample faster", "%.1f samples on an edge: the tip of a peak may lie between them", duration)
			if duration >= fewestOnAnEdge {
				m = undecided("sample faster", "too few samples between an edge and the next for the tip of a peak")
			}
			m.AtLeast = max(0, f.atLeast(after, sign, scatter)-state.fine.expanded()) / amplitude
			return excess{m, m.AtLeast}, after
		}
		u := a.tipU(f, regions, state, other, t, rising)
		value := sign * t.value
		if !t.inside || value < max(standsOutBy*t.u, u.expanded()) {
			return bound(after, sign), after
		}
		var share budget
		share.plus(u, 1/amplitude)
		return excess{stated(value/amplitude, share), value / amplitude}, t.at
	}
	over, at := judge(f.from, 1)
	if over.Known() {
		under, _ = judge(at, -1)
		return over, under
	}
	// Without a peak nothing comes back from one: what is lowest after the state was reached is a bound.
	under = excess{undecided(over.Change, "%s", over.Undecided), 0}
	if at, reached := f.reached(); reached && !over.open() {
		under = bound(at, -1)
	}
	return over, under
}

// tipU is the uncertainty of a tip, in codes.
func (a *analysis) tipU(f *folded, regions []region, state, other state, t tip, rising bool) (u budget) {
	share := math.Abs(t.value) / (a.high.level - a.low.level)
	u.plus(state.fine, 1+share)
	u.plus(other.fine, share)
	scatter, edges := f.scatter(a.t.codes, regions, state.level, rising, t)
	if edges > few && scatter > t.u {
		u.estimated(scatter, edges-1)
	} else {
		u.scatters(t.u)
	}
	if a.resolution > 0 { // without noise all edges meet the same steps; a tip that goes through several meets several
		u.within(quantised(a.noise, a.resolution) / math.Sqrt(max(1, t.span/a.resolution)))
	}
	return u
}
