package waveform

import (
	"fmt"
	"math"

	"benchwarden/instruments/quantity"
)

// LegOptions say how the two gates of a leg are compared.
type LegOptions struct {
	// SkewHigh and SkewLow are how late each probe shows its gate; they are taken off. SkewU is the 95 % uncertainty of
	// their difference.
	SkewHigh, SkewLow, SkewU quantity.Seconds
	// ThresholdHigh and ThresholdLow are the devices' minimum thresholds: above, a device may conduct.
	ThresholdHigh, ThresholdLow quantity.Volts
	// Gain and Offset are the scope's limits of error; they move the thresholds.
	Gain   quantity.Ratio
	Offset quantity.Volts
}

// Changeover is what happens when one device of a leg takes over from the other. Dead times in seconds; an overlap counts
// as a negative one. The uncertainties of the extremes and of an overlap are bounds, which hold more than 95 %: how much of
// an extreme is noise is bounded, not known. That the true shortest is not below Value - U, which is what safety asks, holds in 95 %
// of cases or more, whether the dead times are alike, scatter, or one of them is short.
type Changeover struct {
	Count    int     `json:"count"`
	Shortest Measure `json:"shortest"`
	Longest  Measure `json:"longest"`
	Mean     Measure `json:"mean"`
	Overlaps int     `json:"overlaps"`
	// WorstOverlap is the longest time for which both were above their thresholds; known only if there was an overlap.
	WorstOverlap Measure `json:"worst_overlap"`
}

// Timing is how the two gates of a leg take turns.
type Timing struct {
	// Applicable: the two take turns at least once, so that a dead time exists. Else Reason says what was seen.
	Applicable bool   `json:"applicable"`
	Reason     string `json:"reason,omitempty"`
	Change     string `json:"change,omitempty"`

	HighToLow Changeover `json:"high_to_low"`
	LowToHigh Changeover `json:"low_to_high"`

	// Overlaps counts every time that both were above their thresholds, of whatever kind, and WorstOverlap is the longest.
	Overlaps     int     `json:"overlaps"`
	WorstOverlap Measure `json:"worst_overlap"`
	FirstOverlap float64 `json:"first_overlap"` // s

	// MinSamples is the number of samples on the fastest edge, 10 % to 90 %: timing wants 5. 0 without an edge.
	MinSamples float64 `json:"min_samples"`
}

// gate walks over the crossings of one gate.
type gate struct {
	t                 Trace
	c                 *scan
	next              crossing
	more              bool
	seen              int
	noise, resolution float64 // codes
	gain, offset      float64 // limits of error at the threshold, codes
	swing             float64 // 10 % to 90 %, codes
	share             float64 // of the way up at which the threshold lies
	fewest            float64
}

func newGate(t Trace, h *histogram, skew quantity.Seconds, threshold quantity.Volts, o LegOptions) *gate {
	g := &gate{t: t.Shifted(-skew), fewest: math.Inf(1), resolution: t.resolutionCodes()}
	g.noise = noise(t.codes, g.resolution)
	band := 3*g.noise + g.resolution
	g.c = newScan(t.codes, t.code(float64(threshold)), band, band)
	g.gain, g.offset = float64(o.Gain)*math.Abs(float64(threshold))/t.scale, float64(o.Offset)/t.scale
	low, high := h.levels(g.noise, g.resolution)
	g.swing = 0.8 * (high.level - low.level)
	g.share = (t.code(float64(threshold)) - low.level) / (high.level - low.level)
	g.advance()
	return g
}

func (g *gate) advance() {
	g.next, g.more = g.c.next()
	if g.more {
		g.seen++
		if e := g.edge(); e > 0 {
			g.fewest = min(g.fewest, e)
		}
	}
}

// edge is about how many samples the next edge has, 10 % to 90 %.
func (g *gate) edge() float64 { return g.next.perCode * g.swing }

// Leg measures dead time and overlap of a leg's two gates at the devices' own thresholds, not at 50 %: from the instant
// at which one falls below its threshold to the instant at which the other rises above its own. Where the two do not take
// turns (one side stands still, as in six-step drive with one side chopped) a dead time does not exist; overlaps are
// found all the same.
func Leg(high, low Trace, o LegOptions) Timing {
	var found [2]histogram
	for i, t := range []Trace{high, low} {
		if t.Len() < 8 || t.Step <= 0 {
			return Timing{Reason: fmt.Sprintf("the record of %s holds %d samples: too few to tell anything", t.Name, t.Len()), Change: "capture a longer record"}
		}
		if found[i] = t.codes.histogram(); found[i].unusable {
			return Timing{Reason: fmt.Sprintf("the record of %s holds values that are no finite numbers", t.Name), Change: "read the record again"}
		}
	}
	a, b := newGate(high, &found[0], o.SkewHigh, o.ThresholdHigh, o), newGate(low, &found[1], o.SkewLow, o.ThresholdLow, o)
	w := walk{high: a, low: b, from: float64(max(a.t.Start, b.t.Start)), to: float64(min(a.t.when(float64(high.Len()-1)), b.t.when(float64(low.Len()-1))))}
	w.run()
	return w.timing(o)
}

// walk follows both gates in the order of time.
type walk struct {
	high, low        *gate
	from, to         float64 // where both records exist
	highOn, lowOn    bool
	lastOff          *gate // the side that went off last, nil before the first and once the other took over
	off              instant
	came             *gate // the side that came on while the other was on
	both             bool
	bothFrom         instant
	highLow, lowHigh takeover // changeovers by direction
	within           takeover // overlaps in which the side that came also went first
	firstOverlap     float64
}

func (w *walk) run() {
	w.highOn, w.lowOn = w.high.c.known && w.high.c.first, w.low.c.known && w.low.c.first
	if w.highOn && w.lowOn {
		w.begin(instant{at: w.from}, nil)
	}
	for w.high.more || w.low.more {
		g, other := w.high, w.low
		if !w.high.more || w.low.more && w.low.instant().at < w.high.instant().at {
			g, other = w.low, w.high
		}
		w.event(g, other, g.instant())
		g.advance()
	}
	if w.both && w.to > w.bothFrom.at {
		w.kind(w.came).addOverlap(lapse{w.bothFrom, instant{at: w.to}}, true)
	}
}

// kind is the direction of a changeover in which g takes over.
func (w *walk) kind(g *gate) *takeover {
	switch g {
	case w.low:
		return &w.highLow
	case w.high:
		return &w.lowHigh
	}
	return &w.within
}

func (w *walk) begin(at instant, came *gate) {
	if w.highLow.overlaps+w.lowHigh.overlaps+w.within.overlaps == 0 {
		w.firstOverlap = at.at
	}
	w.both, w.bothFrom, w.came = true, at, came
}

func (w *walk) event(g, other *gate, now instant) {
	on, otherOn := now.rising, w.lowOn
	if g == w.high {
		w.highOn = on
	} else {
		w.lowOn, otherOn = on, w.highOn
	}
	switch {
	case on && otherOn:
		w.begin(now, g)
		w.lastOff = nil
	case on && w.lastOff == other:
		w.kind(g).add(lapse{w.off, now})
		w.lastOff = nil
	case on:
		w.lastOff = nil
	case w.both: // one of two goes off
		w.both = false
		if w.came == other { // the other came while g was on, and stays: a changeover
			w.kind(other).add(lapse{now, w.bothFrom})
			w.kind(other).addOverlap(lapse{w.bothFrom, now}, false)
		} else {
			w.within.addOverlap(lapse{w.bothFrom, now}, w.came == nil)
		}
		w.lastOff = nil
	default:
		w.lastOff, w.off = g, now
	}
}

func (w *walk) timing(o LegOptions) Timing {
	skew := float64(o.SkewU) / 1.96
	t := Timing{HighToLow: w.highLow.changeover(skew), LowToHigh: w.lowHigh.changeover(skew), FirstOverlap: w.firstOverlap}
	if fewest := min(w.high.fewest, w.low.fewest); !math.IsInf(fewest, 1) {
		t.MinSamples = fewest
	}
	for _, k := range []*takeover{&w.highLow, &w.lowHigh, &w.within} {
		t.Overlaps += k.overlaps
		if m := k.worstOverlap(skew); k.overlaps > 0 && (!t.WorstOverlap.Known() || m.Value >= t.WorstOverlap.Value) {
			t.WorstOverlap = m
		}
	}
	if t.Overlaps == 0 {
		t.WorstOverlap = undecided("none needed", "no overlap in the record")
	}
	t.Applicable = t.HighToLow.Count+t.LowToHigh.Count > 0
	if t.Applicable {
		return t
	}
	side := func(g *gate, name string) string {
		switch {
		case g.seen > 0:
			return fmt.Sprintf("the %s side switches", name)
		case g.c.known && g.c.high:
			return fmt.Sprintf("the %s side stays above its threshold", name)
		}
		return fmt.Sprintf("the %s side stays below its threshold", name)
	}
	t.Reason = fmt.Sprintf("%s and %s: they do not take turns, so a dead time does not exist here", side(w.high, "high"), side(w.low, "low"))
	t.Change = "look at complementary chopping or at a reversal, triggered"
	return t
}
