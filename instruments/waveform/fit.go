package waveform

import (
	"fmt"
	"math"

	"benchwarden/instruments/quantity"
)

// line is a straight line fitted by least squares.
type line struct {
	slope, intercept float64
	slopeU           float64 // standard uncertainty of the slope, from the scatter
	interceptU       float64
	fit              float64 // squared correlation
	weight           float64 // root of the weighted sum of squares of x about its mean
	centre           float64 // weighted mean of x
}

func (l line) at(x float64) float64 { return l.intercept + l.slope*x }

func fitLine(x, y []float64) line { return fitWeighted(x, y, nil) }

// fitWeighted fits with one weight a point; nil is equal weights.
func fitWeighted(x, y, weight []float64) line {
	var sw, sx, sy float64
	w := func(i int) float64 {
		if weight == nil {
			return 1
		}
		return weight[i]
	}
	for i := range x {
		sw += w(i)
		sx += w(i) * x[i]
		sy += w(i) * y[i]
	}
	mx, my := sx/sw, sy/sw
	var sxx, sxy, syy float64
	for i := range x {
		dx, dy := x[i]-mx, y[i]-my
		sxx += w(i) * dx * dx
		sxy += w(i) * dx * dy
		syy += w(i) * dy * dy
	}
	if sxx == 0 {
		return line{intercept: my}
	}
	l := line{slope: sxy / sxx, weight: math.Sqrt(sxx), centre: mx}
	l.intercept = my - l.slope*mx
	if syy > 0 {
		l.fit = sxy * sxy / (sxx * syy)
	}
	if len(x) > 2 {
		residual := max(0, syy-l.slope*sxy) / float64(len(x)-2)
		l.slopeU = math.Sqrt(residual / sxx)
		l.interceptU = math.Sqrt(residual * (1/sw + mx*mx/sxx))
	}
	return l
}

// studentT is the two-sided 95 % quantile of Student's t.
//
// Source: JCGM 100:2008 (GUM), table G.2, p = 95 %.
func studentT(freedom int) float64 {
	table := []float64{12.71, 4.30, 3.18, 2.78, 2.57, 2.45, 2.36, 2.31, 2.26, 2.23, 2.20, 2.18, 2.16, 2.14, 2.13, 2.12, 2.11, 2.10, 2.09, 2.09}
	switch {
	case freedom < 1:
		return table[0]
	case freedom <= len(table):
		return table[freedom-1]
	case freedom < 40:
		return 2.09
	case freedom < 100:
		return 2.02
	}
	return 1.98
}

// Sample is one voltage reading of a bus that goes down.
type Sample struct {
	T quantity.Seconds `json:"t"`
	V quantity.Volts   `json:"v"`
}

// Discharge is what a bus going down tells.
type Discharge struct {
	TimeConstant Measure        `json:"time_constant"` // s
	Start        quantity.Volts `json:"start"`         // of the fitted exponential, at the first reading used
	Used         int            `json:"used"`          // readings that entered
	// Straightness is the squared correlation of ln V against time: a single resistor gives nearly 1.
	Straightness float64 `json:"straightness"`
}

// FitDischarge fits V = V0·exp(-t/τ) to the readings of a bus without a source. e are the limits of error of a reading;
// readings below five times e are left out, and each counts by its own relative accuracy.
func FitDischarge(points []Sample, e quantity.Volts) Discharge {
	var seconds, logs, weights []float64
	var d Discharge
	for i, p := range points {
		v := float64(p.V)
		if math.IsNaN(v) || math.IsInf(v, 0) || math.IsNaN(float64(p.T)) {
			d.TimeConstant = undecided("read again", "reading %d is no finite number", i+1)
			return d
		}
		if i > 0 && p.T <= points[i-1].T {
			d.TimeConstant = undecided("read again", "reading %d is not later than the one before", i+1)
			return d
		}
		if v > 0 && v >= 5*float64(e) {
			seconds, logs, weights = append(seconds, float64(p.T-points[0].T)), append(logs, math.Log(v)), append(weights, v*v)
		}
	}
	d.Used = len(seconds)
	if d.Used < 3 {
		d.TimeConstant = undecided("read faster or from a higher voltage", "%d readings stand clear of the meter's uncertainty: at least 3 are needed", d.Used)
		return d
	}
	l := fitWeighted(seconds, logs, weights)
	d.Straightness = l.fit
	d.Start = quantity.Volts(math.Exp(l.at(seconds[0])))
	if !(l.slope < 0) {
		d.TimeConstant = undecided("see whether a source is still connected", "the voltage does not fall")
		return d
	}
	tau := -1 / l.slope
	// Where meters are not only off in gain and offset, the ends of a short fall may mean anything.
	span := seconds[len(seconds)-1] - seconds[0]
	first, last := math.Exp(logs[0]), math.Exp(logs[len(logs)-1])
	relative := quadrature(l.slopeU*studentT(d.Used-2)/2, float64(e)/math.Sqrt(3)/first/span, float64(e)/math.Sqrt(3)/last/span) * tau
	if relative > 0.5 {
		d.TimeConstant = undecided("watch it for longer or read more often", "%s", fmt.Sprintf("the fall over %v is too small for a time constant: about %v", quantity.Seconds(span), quantity.Seconds(tau)))
		return d
	}
	// What a meter does that is off bends the line: it is no scatter.
	residuals := make([]float64, d.Used)
	for i := range residuals {
		residuals[i] = (logs[i] - l.at(seconds[i])) * math.Exp(logs[i])
	}
	var slope budget
	slope.estimated(scatterOf(residuals)/l.weight, d.Used-2)
	slope.plus(l.slopeByError(seconds, logs, weights, float64(e)), 1)
	var inSeconds budget
	inSeconds.plus(slope, tau*tau)
	d.TimeConstant = stated(tau, inSeconds)
	return d
}

// slopeByError is what a meter whose gain and offset are off, so that it errs by anything up to e at zero and at the first
// reading, does to the slope of ln V against time: an error in proportion to V does nothing.
func (l line) slopeByError(seconds, logs, weights []float64, e float64) (u budget) {
	atZero := 0.0
	for i, w := range weights {
		atZero += w * (seconds[i] - l.centre) * (math.Exp(-logs[i]) - math.Exp(-logs[0]))
	}
	u.within(atZero / (l.weight * l.weight) * e)
	return u
}
