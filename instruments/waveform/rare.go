package waveform

import (
	"math"

	"benchwarden/instruments/quantity"
)

// Rare is what a long record tells about pulses that fail now and then.
type Rare struct {
	Expected int `json:"expected"` // pulses that the period calls for within the record
	Found    int `json:"found"`
	Missing  int `json:"missing"`
	Extra    int `json:"extra"`
	// Where holds the instants of the first of them, where a missing pulse should have begun or an extra one did.
	Where []quantity.Seconds `json:"where,omitempty"`
	// Undecided is empty where the counts can be trusted; else it says why not, and Change what to do.
	Undecided string `json:"undecided,omitempty"`
	Change    string `json:"change,omitempty"`
}

// rareShown is how many places a Rare names.
const rareShown = 32

// edgeTolerance is the share of a period by which a pulse near an end of the record may come early or late.
const edgeTolerance = 0.1

// Missing counts, along a record of a steady pulse train of the given period, the pulses that are missing and those that
// are too many. A pulse counts when it goes from below to above the middle of the amplitude by the hysteresis of o.
// It needs 8 samples a period and 2 in the narrowest pulse, else a pulse may hide between two samples.
func Missing(t Trace, period quantity.Seconds, o Options) Rare {
	o = o.withDefaults()
	if t.Len() < 8 || t.Step <= 0 || !(period > 0) {
		return Rare{Undecided: "no record or no period to count by", Change: "capture a longer record and state the period"}
	}
	p := float64(period / t.Step)
	length := float64(t.Len() - 1)
	r := Rare{Expected: int(length / p)}
	h := t.codes.histogram()
	switch {
	case h.unusable:
		r.Undecided, r.Change = "the record holds values that are no finite numbers", "read the record again"
		return r
	case p < 8:
		r.Undecided = undecided("", "%.1f samples a period: a pulse may hide between two", p).Undecided
		r.Change = "sample faster"
		return r
	}
	a := newAnalysis(t, o, &h)
	swing := (a.high.level - a.low.level) * t.scale
	if swing < max(max(3*a.resolution, 6*a.noise)*t.scale, float64(o.MinAmplitude)) {
		r.Missing = r.Expected
		return r
	}
	middle := ReferenceLevel(a.low.level, a.high.level, 50)
	c := newScan(t.codes, middle, float64(o.Hysteresis)*(a.high.level-a.low.level), 3*a.noise+a.resolution/2)
	narrowest := math.Inf(1)
	note := func(at float64) {
		if len(r.Where) < rareShown {
			r.Where = append(r.Where, t.when(at))
		}
	}
	missing := func(anchor float64, n int) {
		r.Missing += n
		for k := range n {
			note(anchor + float64(k+1)*p)
		}
	}
	anchor, begun := 0.0, false
	last := 0.0
	for x, ok := c.next(); ok; x, ok = c.next() {
		if begun || !x.rising {
			if x.at > last && (last > 0 || begun) {
				narrowest = min(narrowest, x.at-last)
			}
		}
		last = x.at
		if !x.rising {
			continue
		}
		r.Found++
		if !begun {
			begun = true
			if n := int(x.at/p - edgeTolerance); n > 0 {
				missing(x.at-float64(n+1)*p, n)
			}
			anchor = x.at
			continue
		}
		periods := (x.at - anchor) / p
		if periods < 0.5 {
			r.Extra++
			note(x.at)
			continue
		}
		if n := int(math.Round(periods)); n > 1 {
			missing(anchor, n-1)
		}
		anchor = x.at
	}
	if n := int((length-anchor)/p - edgeTolerance); n > 0 {
		missing(anchor, n)
	}
	r.Expected = r.Found - r.Extra + r.Missing
	if narrowest < 2 {
		r.Undecided = undecided("", "the narrowest pulse or gap is %.1f samples wide: one may hide between two samples", narrowest).Undecided
		r.Change = "sample faster"
	}
	return r
}

// ConfidenceIn is the probability that a fault which hits one pulse in oneIn by chance shows at least once in so many
// pulses: 1 - (1-1/N)^n.
func ConfidenceIn(oneIn, pulses int) float64 {
	switch {
	case pulses <= 0:
		return 0
	case oneIn <= 1:
		return 1
	}
	return -math.Expm1(float64(pulses) * math.Log1p(-1/float64(oneIn)))
}

// PulsesFor returns how many pulses have to be looked at to see, with the given confidence, a fault that hits one pulse in
// oneIn by chance: ceil(ln(1-c)/ln(1-1/N)).
func PulsesFor(oneIn int, confidence float64) int {
	if oneIn <= 1 {
		return 1
	}
	if !(confidence > 0) {
		return 0
	}
	if confidence >= 1 {
		return math.MaxInt
	}
	return int(math.Ceil(math.Log1p(-confidence) / math.Log1p(-1/float64(oneIn))))
}
