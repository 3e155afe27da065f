package waveform

import (
	"math"
	"slices"

	"benchwarden/instruments/quantity"
)

// FirstEdge is when the trace first passes level, not before after, from beyond it by more than hysteresis on the one side to as far
// on the other; false where it never does.
func (t Trace) FirstEdge(level, hysteresis quantity.Volts, rising bool, after quantity.Seconds) (quantity.Seconds, bool) {
	if t.Len() == 0 {
		return 0, false
	}
	s := newScan(t.codes, t.code(float64(level)), float64(hysteresis)/t.scale, 0)
	for x, ok := s.next(); ok; x, ok = s.next() {
		if at := t.when(x.at); x.rising == rising && at >= after {
			return at, true
		}
	}
	return 0, false
}

// Aligned moves the trace so that the middle of a rising or falling edge stands at zero: its first one that has lead before it, else its
// first one; p is what was found in it. Where it has none the trace begins at -lead.
func (t Trace) Aligned(p Pulses, rising bool, lead quantity.Seconds) Trace {
	if p.Kind == Pulsing && p.Low.Known() && p.High.Known() {
		middle, swing := quantity.Volts(p.Low.Value+p.High.Value)/2, quantity.Volts(p.High.Value-p.Low.Value)
		for _, after := range []quantity.Seconds{t.Start + lead, t.Start} {
			if at, ok := t.FirstEdge(middle, swing/4, rising, after); ok {
				return t.Shifted(-at)
			}
		}
	}
	return t.Shifted(-lead - t.Start)
}

// Section copies the samples of a stretch of time; what lies outside the record is left out.
func (t Trace) Section(from, to quantity.Seconds) Trace {
	first := max(0, int(math.Ceil(float64((from-t.Start)/t.Step)-1e-6)))
	end := min(t.Len(), int(math.Floor(float64((to-t.Start)/t.Step)+1e-6))+1)
	if t.Len() == 0 || first >= end {
		return Trace{Name: t.Name}
	}
	t.Start = t.Time(first)
	switch codes := t.codes.(type) {
	case octets:
		t.codes = slices.Clone(codes[first:end])
	case words:
		t.codes = slices.Clone(codes[first:end])
	case floats:
		t.codes = slices.Clone(codes[first:end])
	}
	return t
}

// between is the lowest and the highest voltage of a stretch of time, straight lines between the samples; false where the record
// does not reach into it.
func (t Trace) between(from, to quantity.Seconds) (Extent, bool) {
	last := t.Time(t.Len() - 1)
	if t.Len() == 0 || to < t.Start || from > last {
		return Extent{}, false
	}
	at := func(when quantity.Seconds) float64 {
		x := float64((min(max(when, t.Start), last) - t.Start) / t.Step)
		i := min(int(x), t.Len()-1)
		next := min(i+1, t.Len()-1)
		return t.At(i) + (x-float64(i))*(t.At(next)-t.At(i))
	}
	a, b := at(from), at(to)
	e := Extent{Low: min(a, b), High: max(a, b)}
	first := max(0, int(math.Ceil(float64((from-t.Start)/t.Step))))
	end := min(t.Len(), int(math.Floor(float64((to-t.Start)/t.Step)))+1)
	if first < end {
		low, high := t.codes.extent(first, end)
		e.Low, e.High = min(e.Low, t.volts(low)), max(e.High, t.volts(high))
	}
	return e, true
}

// Band is what several traces of the like hold between them: for each of its stretches, Step long from From on, the lowest and the
// highest of all. A stretch that none of them reaches is NaN.
type Band struct {
	From, Step quantity.Seconds
	Extents    []Extent
}

// BandOf lays the traces over each other by their instants, in n stretches of from..to.
func BandOf(traces []Trace, from, to quantity.Seconds, n int) Band {
	b := Band{From: from, Step: (to - from) / quantity.Seconds(n), Extents: make([]Extent, n)}
	for k := range b.Extents {
		b.Extents[k] = Extent{math.NaN(), math.NaN()}
		start := from + quantity.Seconds(k)*b.Step
		for i, t := range traces {
			e, ok := t.between(start, start+b.Step)
			switch old := &b.Extents[k]; {
			case !ok:
			case i == 0 || math.IsNaN(old.Low):
				*old = e
			default:
				old.Low, old.High = min(old.Low, e.Low), max(old.High, e.High)
			}
		}
	}
	return b
}

// Departure is how a trace leaves a band.
type Departure struct {
	For quantity.Seconds // how long in all
	// Furthest is the greatest distance from the band, below zero where it lies under it, and At where that is.
	Furthest quantity.Volts
	At       quantity.Seconds
}

// Departure compares a trace with the band, stretch by stretch. What lies outside by no more than slack counts as inside.
func (b Band) Departure(t Trace, slack quantity.Volts) (d Departure) {
	for k, e := range b.Extents {
		start := b.From + quantity.Seconds(k)*b.Step
		own, ok := t.between(start, start+b.Step)
		if !ok || math.IsNaN(e.Low) {
			continue
		}
		over, under := own.High-e.High, e.Low-own.Low
		if max(over, under) <= float64(slack) {
			continue
		}
		d.For += b.Step
		if far := max(over, under); far > math.Abs(float64(d.Furthest)) {
			d.Furthest, d.At = quantity.Volts(far), start+b.Step/2
			if under > over {
				d.Furthest = -d.Furthest
			}
		}
	}
	return d
}

// Height is the distance between the lowest and the highest voltage of the band.
func (b Band) Height() quantity.Volts {
	low, high := math.Inf(1), math.Inf(-1)
	for _, e := range b.Extents {
		if !math.IsNaN(e.Low) {
			low, high = min(low, e.Low), max(high, e.High)
		}
	}
	return quantity.Volts(max(0, high-low))
}
