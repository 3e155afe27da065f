package gates

import (
	"math"
	"slices"

	"benchwarden/daemon/drive"
	"benchwarden/instruments/waveform"
)

// siblingShare is how far the levels of a channel may lie from its siblings', as a share of their swing, where the family has
// no data of its own (common practice, no source).
const siblingShare = 0.1

// siblings is what the channels of a drive without data have in common.
type siblings struct{ onLevel, offLevel, swing float64 }

func (s *siblings) narrow(b drive.Band, level func(*siblings) float64) limits {
	if s == nil {
		return between(b.Low, b.High)
	}
	around := siblingShare * s.swing
	return between(max(float64(b.Low), level(s)-around), min(float64(b.High), level(s)+around))
}

// typical is what a channel shows as a rule: medians over its cells; NaN for what it never showed.
type typical struct {
	on, off, rise, fall, frequency float64
	widths                         map[drive.Pattern]float64
}

func (r *channelRow) typical() typical {
	var on, off, rise, fall, frequency []float64
	widths := map[drive.Pattern][]float64{}
	keep := func(into *[]float64, m waveform.Measure) {
		if m.Known() {
			*into = append(*into, m.Value)
		}
	}
	for _, x := range r.cells {
		p, ok := x.fine()
		switch {
		case !ok:
		case p.Kind == waveform.Pulsing && x.wasOn():
			keep(&on, p.High)
			keep(&off, p.Low)
			keep(&rise, p.Rise)
			keep(&fall, p.Fall)
			keep(&frequency, p.Frequency)
			if x.match && p.PulseWidth.Known() {
				widths[x.expected] = append(widths[x.expected], p.PulseWidth.Value)
			}
		case x.found.pattern == drive.On && x.found.unclear == "":
			keep(&on, p.Level)
		case x.found.pattern == drive.Off && x.found.unclear == "":
			keep(&off, p.Level)
		}
	}
	t := typical{median(on), median(off), median(rise), median(fall), median(frequency), map[drive.Pattern]float64{}}
	for p, w := range widths {
		t.widths[p] = median(w)
	}
	return t
}

func (t typical) width(p drive.Pattern) float64 {
	if v, ok := t.widths[p]; ok {
		return v
	}
	return math.NaN()
}

// median is the middle value; NaN of none.
func median(values []float64) float64 {
	values = slices.DeleteFunc(slices.Clone(values), math.IsNaN)
	if len(values) == 0 {
		return math.NaN()
	}
	slices.Sort(values)
	if n := len(values); n%2 == 0 {
		return (values[n/2-1] + values[n/2]) / 2
	}
	return values[len(values)/2]
}

// usual is the median of what the channels show, itself included, so that one odd channel of three does not move it;
// NaN where fewer than three show it.
func usual(rows []*channelRow, of func(typical) float64) float64 {
	var values []float64
	for _, r := range rows {
		if v := of(r.typical()); r.hidden == "" && !math.IsNaN(v) {
			values = append(values, v)
		}
	}
	if len(values) < enough {
		return math.NaN()
	}
	return median(values)
}

// enough is how many channels there have to be before one can be the odd one out.
const enough = 3

// compare gives each row of a family without data what its siblings show.
func (c *Chart) compare(rows []*channelRow) {
	if c.family.Modulation.Kind != drive.UnknownWord {
		return
	}
	s := &siblings{
		onLevel:  usual(rows, func(t typical) float64 { return t.on }),
		offLevel: usual(rows, func(t typical) float64 { return t.off }),
	}
	if s.swing = s.onLevel - s.offLevel; math.IsNaN(s.swing) {
		return
	}
	for _, r := range rows {
		r.siblings = s
	}
}

// widthLimits are the pulse widths that the siblings of the same pattern allow.
func (r *channelRow) widthLimits(c *Chart, x *cell) (limits, bool) {
	within := float64(c.family.Gate.Width.Within)
	usual, ok := r.usualWidth[x.expected]
	if within == 0 || !ok || !x.match || !x.expected.Switches() {
		return limits{}, false
	}
	return between(usual*(1-within), usual*(1+within)), true
}

// widths tells the rows how wide the pulses of a channel are as a rule, by pattern. There is no rule where not more than half of
// the channels keep it: with two against two nobody knows which is right.
func (c *Chart) widths(rows []*channelRow) {
	within := float64(c.family.Gate.Width.Within)
	all := map[drive.Pattern]float64{}
	for _, p := range []drive.Pattern{drive.Chop, drive.ChopInverse, drive.Toggle} {
		w := usual(rows, func(t typical) float64 { return t.width(p) })
		keep, have := 0, 0
		for _, r := range rows {
			switch v := r.typical().width(p); {
			case math.IsNaN(v):
			case math.Abs(v-w) <= within*w:
				keep++
				fallthrough
			default:
				have++
			}
		}
		if 2*keep > have {
			all[p] = w
		}
	}
	for _, r := range rows {
		r.usualWidth = all
	}
}
