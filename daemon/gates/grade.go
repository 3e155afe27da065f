package gates

import (
	"fmt"
	"math"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// limits are the ends of what is allowed; a nil end is open.
type limits struct{ low, high *float64 }

func between[T ~float64](low, high T) limits {
	l, h := float64(low), float64(high)
	return limits{&l, &h}
}

func atMost[T ~float64](high T) limits {
	h := float64(high)
	return limits{high: &h}
}

func (l limits) width() float64 {
	switch {
	case l.low != nil && l.high != nil:
		return *l.high - *l.low
	case l.high != nil:
		return math.Abs(*l.high)
	}
	return 1
}

// grade is a check with how far inside its limits the reading lies, as a share of what the limits leave; negative outside.
type grade struct {
	verdict.Check
	margin float64
}

// against compares a measure with limits by the family's decision rule.
func (c *Chart) against(name, subject string, m waveform.Measure, unit quantity.Unit, l limits) grade {
	g := grade{Check: verdict.Check{Name: name, Subject: subject, Instrument: c.sight.Instrument}}
	g.Low, g.High = valueOf(l.low, unit), valueOf(l.high, unit)
	if !m.Known() {
		c.bound(&g, m, unit, l)
		return g
	}
	g.Reading, g.Uncertainty = valueOf(&m.Value, unit), valueOf(&m.U, unit)
	rule := c.family.Decision.Rule()
	g.Budget = budget(m, unit)
	g.Outcome, g.Rule = verdict.Decide(m.Value, m.U, l.low, l.high, rule), rule.String()
	g.margin = math.Inf(1)
	if l.low != nil {
		g.margin = min(g.margin, (m.Value-*l.low)/l.width())
	}
	if l.high != nil {
		g.margin = min(g.margin, (*l.high-m.Value)/l.width())
	}
	if g.Outcome == verdict.Undecided {
		g.Reason = "the reading lies nearer to the limit than its uncertainty"
		g.Change = "a more accurate instrument, or a smaller full scale"
	}
	return g
}

// budget is what the uncertainty of a measure is made of, as far as its analysis tells it apart.
func budget(m waveform.Measure, unit quantity.Unit) *verdict.Budget {
	b := verdict.NewBudget(unit)
	for _, p := range m.Parts {
		b.Half(p.Name, p.U)
	}
	if len(m.Parts) == 0 {
		b.Half("resolution, sampling, noise and accuracy of the trace", m.U)
	}
	return b
}

// bound decides by a bound where there is no value.
func (c *Chart) bound(g *grade, m waveform.Measure, unit quantity.Unit, l limits) {
	g.Outcome, g.Reason, g.Change = verdict.Undecided, m.Undecided, m.Change
	switch {
	case l.high != nil && l.low == nil && m.AtMost > 0 && m.AtMost <= *l.high:
		g.Outcome, g.Change = verdict.Pass, ""
		g.Reason = fmt.Sprintf("at most %v", quantity.Value{Number: m.AtMost, Unit: unit})
	case l.high != nil && m.AtLeast > *l.high:
		g.Outcome, g.Change, g.margin = verdict.Fail, "", -1
		g.Reason = fmt.Sprintf("at least %v", quantity.Value{Number: m.AtLeast, Unit: unit})
	}
}

func valueOf(n *float64, unit quantity.Unit) *quantity.Value {
	if n == nil {
		return nil
	}
	return &quantity.Value{Number: *n, Unit: unit}
}

// rank orders outcomes from the harmless to the grave.
func rank(o verdict.Outcome) int {
	switch o {
	case verdict.Fail:
		return 4
	case verdict.Undecided:
		return 3
	case verdict.NotShown:
		return 2
	case verdict.Pass:
		return 1
	}
	return 0
}

// worst is the grade that stands for all of them: the gravest, and among equals the one with the least margin.
func worst(grades []grade) (grade, bool) {
	if len(grades) == 0 {
		return grade{}, false
	}
	w := grades[0]
	for _, g := range grades[1:] {
		if r := rank(g.Outcome) - rank(w.Outcome); r > 0 || r == 0 && g.margin < w.margin {
			w = g
		}
	}
	return w, true
}

func (c *Chart) plain(name, subject string, o verdict.Outcome, reason, change string) verdict.Check {
	return verdict.Check{Name: name, Subject: subject, Outcome: o, Reason: reason, Change: change, Instrument: c.sight.Instrument}
}

// about writes a value for a sentence: three digits; the exact figure stands in the check.
func about(n float64, unit quantity.Unit) string {
	if n != 0 && !math.IsNaN(n) && !math.IsInf(n, 0) {
		size := math.Pow10(2 - int(math.Floor(math.Log10(math.Abs(n)))))
		n = math.Round(n*size) / size
	}
	return quantity.Value{Number: n, Unit: unit}.String()
}

func volts(n float64) string   { return about(n, quantity.Volt) }
func seconds(n float64) string { return about(n, quantity.Second) }

// reading writes a check's reading for a sentence.
func reading(k verdict.Check) string {
	if k.Reading == nil {
		return "no reading"
	}
	return about(k.Reading.Number, k.Reading.Unit)
}
