package waveform

import (
	"fmt"
	"math"
	"slices"

	"benchwarden/instruments/quantity"
)

// RampPoint is one pair of readings while a bus comes up.
type RampPoint struct {
	T quantity.Seconds `json:"t"`
	V quantity.Volts   `json:"v"`
	I quantity.Amperes `json:"i"`
}

// RampShape is how a bus came up.
type RampShape string

// The shapes of a ramp.
const (
	ConstantCurrentRamp RampShape = "constant current" // a capacitance at the current limit
	SoftChargeRamp      RampShape = "soft charge"      // a capacitance behind a resistor
	LoadStartingRamp    RampShape = "load starting"    // something began to draw current on the way up
	ShortRamp           RampShape = "short"            // the current limit, and the voltage stays down
	NoCapacitanceRamp   RampShape = "no capacitance"   // at the set value at once
	UnclearRamp         RampShape = "unclear"
)

// RampOptions are what is known of supply and bus.
type RampOptions struct {
	// SupplyCapacitance is the supply's own output capacitor, measured without the drive; it is taken off.
	SupplyCapacitance quantity.Farads
	// Limit is the current limit, Target the set voltage of the ramp.
	Limit  quantity.Amperes
	Target quantity.Volts
	// Bleeder is what discharges the bus meanwhile, 0 for nothing: its charge is taken off.
	Bleeder quantity.Ohms
	// VoltageError, CurrentError and SupplyError are limits of error, as a data sheet states them: of a voltage and of a
	// current reading, and of SupplyCapacitance.
	VoltageError quantity.Volts
	CurrentError quantity.Amperes
	SupplyError  quantity.Farads
}

// Ramp is what a bus coming up tells.
type Ramp struct {
	Shape  RampShape `json:"shape"`
	Reason string    `json:"reason"` // what was seen, in words

	Capacitance Measure `json:"capacitance"` // F, the bus alone
	Slope       Measure `json:"slope"`       // V/s on a constant-current ramp
	SoftCharge  Measure `json:"soft_charge"` // ohm, resistor in the charging path
	Holding     Measure `json:"holding"`     // ohm, what a short or a load that holds the bus down amounts to
	LoadStart   Measure `json:"load_start"`  // V at which something began to draw current
	LoadPower   Measure `json:"load_power"`  // W that it drew
}

// FitRamp tells what a bus is from the readings of one ramp. The capacitance is charge over voltage, C = ∫I dt/ΔV, so
// that it holds for any shape of the current. A supply at its limit into a capacitance gives a straight line; into a
// soft-charge resistor an exponential with the current falling along the voltage; into a short no voltage.
func FitRamp(points []RampPoint, o RampOptions) Ramp {
	none := undecided("take more readings during the ramp", "the readings do not tell it")
	r := Ramp{Shape: UnclearRamp, Capacitance: none, Slope: none, SoftCharge: none, Holding: none, LoadStart: none, LoadPower: none}
	if why := unusableRamp(points); why != "" {
		r.Reason = why
		return r
	}
	f := newRampFit(points, o)
	switch {
	case f.short():
		return f.asShort(r)
	case f.rise <= 3*float64(o.VoltageError):
		r.Reason = fmt.Sprintf("the voltage changed by %v only", quantity.Volts(f.rise))
		return r
	case f.atOnce():
		return f.asNothing(r)
	}
	if k := f.loadStart(); k > 0 {
		return f.asLoad(r, k)
	}
	return f.asCharge(r)
}

func unusableRamp(points []RampPoint) string {
	if len(points) < 5 {
		return fmt.Sprintf("%d readings: a ramp needs at least 5", len(points))
	}
	for i, p := range points {
		sum := float64(p.T) + float64(p.V) + float64(p.I)
		if math.IsNaN(sum) || math.IsInf(sum, 0) {
			return fmt.Sprintf("reading %d is no finite number", i+1)
		}
		if i > 0 && p.T <= points[i-1].T {
			return fmt.Sprintf("reading %d is not later than the one before", i+1)
		}
	}
	return ""
}

// rampFit holds the readings with the charge that had flowed into the bus at each.
type rampFit struct {
	points        []RampPoint
	o             RampOptions
	charge        []float64
	start, top    float64
	rise          float64
	limit         float64 // the current limit, or the largest current seen
	doubt         float64 // relative doubt of the charge by its summing up
	first, finish int     // readings that lie on the way up, both included
	arrived       int     // the first reading at the top
}

func newRampFit(points []RampPoint, o RampOptions) *rampFit {
	f := &rampFit{points: points, o: o, charge: make([]float64, len(points)), start: float64(points[0].V)}
	f.top, f.limit = f.start, float64(o.Limit)
	doubt := make([]float64, len(points)) // of each step of the charge
	for i, p := range points {
		f.top = max(f.top, float64(p.V))
		if o.Limit == 0 {
			f.limit = max(f.limit, float64(p.I))
		}
		if i == 0 {
			continue
		}
		q := points[i-1]
		dt := float64(p.T - q.T)
		low, high := float64(min(p.I, q.I)), float64(max(p.I, q.I))
		flow := (low + high) / 2
		if low > 0 && high > low*1.02 && high < low*5 {
			flow = (high - low) / math.Log(high/low) // exact for an exponential
		}
		doubt[i] = ((low+high)/2 - flow) * dt
		if o.Bleeder > 0 {
			flow -= float64(p.V+q.V) / 2 / float64(o.Bleeder)
		}
		f.charge[i] = f.charge[i-1] + flow*dt
	}
	f.rise = f.top - f.start
	f.window()
	var doubted float64
	for i := f.first + 1; i <= f.finish; i++ {
		doubted += doubt[i]
	}
	if total := f.charge[f.finish] - f.charge[f.first]; total > 0 {
		f.doubt = doubted / total
	}
	return f
}

// window finds the readings on the way up, between 5 % and 95 % of the rise. Where there are too few, the ones beside it
// count too, although the supply may change over between them.
func (f *rampFit) window() {
	at := func(share float64) float64 { return f.start + share*f.rise }
	f.arrived = len(f.points) - 1
	for i, p := range f.points {
		if float64(p.V) >= at(0.95) {
			f.arrived = i
			break
		}
	}
	f.finish = f.arrived
	for i := f.arrived; i >= 0; i-- {
		if float64(f.points[i].V) <= at(0.05) {
			f.first = i
			break
		}
	}
	if f.finish-f.first >= 4 {
		f.first++
		f.finish--
	}
}

func (f *rampFit) limited(p RampPoint) bool { return float64(p.I) >= 0.9*f.limit }

// short: at the limit nearly all the time, and the voltage does not move.
func (f *rampFit) short() bool {
	held := 0
	for _, p := range f.points {
		if f.limited(p) {
			held++
		}
	}
	small := max(2*float64(f.o.VoltageError), 0.02*math.Abs(float64(f.o.Target)))
	last := f.points[len(f.points)-1]
	half := f.points[len(f.points)/2]
	still := math.Abs(float64(last.V-half.V)) <= small
	return float64(f.limit) > 0 && held >= len(f.points)-1 && f.limited(last) && still &&
		(f.o.Target == 0 || last.V < f.o.Target*9/10)
}

func (f *rampFit) asShort(r Ramp) Ramp {
	last := f.points[len(f.points)-1]
	r.Shape = ShortRamp
	ohms := max(0, float64(last.V)) / float64(last.I)
	var u budget
	u.within(float64(f.o.VoltageError / quantity.Volts(last.I)))
	u.within(ohms * float64(f.o.CurrentError/last.I))
	var volts, amperes []float64
	for _, p := range f.points[len(f.points)/2:] {
		volts, amperes = append(volts, float64(p.V)), append(amperes, float64(p.I))
	}
	u.plus(fitted(scatterOf(volts), len(volts)-2), 1/float64(last.I))
	u.plus(fitted(scatterOf(amperes), len(amperes)-2), ohms/float64(last.I))
	r.Holding = stated(ohms, u)
	r.Reason = fmt.Sprintf("the supply gives its limit (%v) and the voltage stays at %v: a short, a stuck bleeder or a load of about %v",
		last.I, last.V, quantity.Ohms(ohms))
	return r
}

// scatterOf is the standard deviation of one reading against its neighbours: what drifts slowly does not count.
func scatterOf(readings []float64) float64 {
	var t tally
	for i := 1; i < len(readings); i++ {
		t.add(readings[i] - readings[i-1])
	}
	return t.deviation() / math.Sqrt2
}

// atOnce: no reading on the way.
func (f *rampFit) atOnce() bool { return f.arrived <= 1 }

func (f *rampFit) asNothing(r Ramp) Ramp {
	r.Shape = NoCapacitanceRamp
	dt := float64(f.points[f.arrived].T - f.points[0].T)
	most := max(0, f.limit*dt/f.rise-float64(f.o.SupplyCapacitance))
	r.Reason = fmt.Sprintf("the voltage was there within one reading (%v): at most %v, an open bus capacitor or a lead that is off",
		quantity.Seconds(dt), quantity.Farads(most))
	r.Capacitance = undecided("use a lower current limit or read faster", "the ramp is over within one reading: at most %v", quantity.Farads(most))
	r.Capacitance.AtMost = most
	return r
}

// loadStart returns the reading from which on the slope at the current limit stays below 60 % of what it was, 0 for none.
func (f *rampFit) loadStart() int {
	var slopes []float64
	far := f.start + 0.95*f.rise
	if f.o.Target > 0 {
		far = min(far, 0.95*float64(f.o.Target))
	}
	if f.o.Target > 0 && f.top < 0.9*float64(f.o.Target) {
		far = math.Inf(1) // it never arrived: what holds it down may show at the very top
	}
	for i := max(1, f.first); i < len(f.points)-1; i++ {
		a, b, c := f.points[i-1], f.points[i], f.points[i+1]
		if !f.limited(a) || !f.limited(b) || !f.limited(c) {
			if float64(b.V) >= far {
				break
			}
			continue
		}
		one := float64(b.V-a.V) / float64(b.T-a.T)
		two := float64(c.V-b.V) / float64(c.T-b.T)
		if len(slopes) >= 2 && float64(b.V) < far {
			usual := median(slopes)
			doubt := 2 * float64(f.o.VoltageError) / float64(b.T-a.T)
			if one < 0.6*usual-doubt && two < 0.6*usual-doubt {
				return i - 1
			}
		}
		slopes = append(slopes, one)
	}
	return 0
}

func median(values []float64) float64 {
	sorted := slices.Sorted(slices.Values(values))
	return sorted[len(sorted)/2]
}

func (f *rampFit) asLoad(r Ramp, k int) Ramp {
	before := *f
	before.finish = k
	r = before.asCharge(r)
	r.Shape = LoadStartingRamp
	at, next := f.points[k], f.points[k+1]
	var startU budget
	startU.within(float64(f.o.VoltageError))
	startU.scatters(math.Abs(float64(next.V-at.V)) / 2) // it may have begun a reading earlier or later
	r.LoadStart = stated(float64(at.V), startU)
	total := r.Capacitance.Value + float64(f.o.SupplyCapacitance)
	slope := float64(next.V-at.V) / float64(next.T-at.T)
	v := float64(next.V+at.V) / 2
	amperes := float64(next.I+at.I)/2 - total*slope
	var powerU budget
	powerU.within(v * float64(f.o.CurrentError))
	powerU.scatters(v * r.Capacitance.U / 2 * slope)
	r.LoadPower = stated(v*amperes, powerU)
	r.Reason = fmt.Sprintf("the rise breaks at %v with the supply at its limit: something begins to draw about %v there, as a control section that starts does",
		at.V, quantity.Watts(v*amperes))
	return r
}

// asCharge fits charge against voltage and looks at how the current went along.
func (f *rampFit) asCharge(r Ramp) Ramp {
	on := f.points[f.first : f.finish+1]
	if len(on) < 3 {
		r.Reason = fmt.Sprintf("%d readings on the way up: too few for a capacitance", len(on))
		r.Capacitance = undecided("use a lower current limit or read faster", "%s", r.Reason)
		return r
	}
	var volts, charge, amperes, seconds []float64
	for i := f.first; i <= f.finish; i++ {
		volts = append(volts, float64(f.points[i].V))
		amperes = append(amperes, float64(f.points[i].I))
		seconds = append(seconds, float64(f.points[i].T))
		charge = append(charge, f.charge[i])
	}
	q := fitLine(volts, charge)
	mean := (charge[len(charge)-1] - charge[0]) / (seconds[len(seconds)-1] - seconds[0])
	c := q.slope - float64(f.o.SupplyCapacitance)
	freedom := len(volts) - 2
	r.Capacitance = statedBy(c, portion{"scatter of charge against voltage", fitted(q.slopeU, freedom)},
		portion{"accuracy of the current", limits(q.slope * float64(f.o.CurrentError) / mean)},
		portion{"accuracy of the voltage, at both ends", f.bothEnds(q.slope / f.rise)},
		portion{"the current between two readings", limits(q.slope * f.doubt)},
		portion{"the supply's own output capacitor", limits(float64(f.o.SupplyError))})

	along := fitLine(volts, amperes)
	atStart, atEnd := along.at(volts[0]), along.at(volts[len(volts)-1])
	switch drop := (atStart - atEnd) / atStart; {
	case drop < 0.15:
		r.Shape = ConstantCurrentRamp
		s := fitLine(seconds, volts)
		u := f.bothEnds(s.slope / f.rise)
		u.plus(fitted(s.slopeU, freedom), 1)
		r.Slope = stated(s.slope, u)
		r.Reason = fmt.Sprintf("a straight rise at %v: a capacitance of %v", quantity.Amperes(mean), quantity.Farads(c))
	case drop > 0.4 && along.fit > 0.9:
		r.Shape = SoftChargeRamp
		ohms := -1 / along.slope
		u := f.bothEnds(ohms / f.rise)
		for range 2 { // the error of the current may differ from one end to the other, as that of the voltage
			u.within(ohms * float64(f.o.CurrentError) * ohms / f.rise)
		}
		u.plus(fitted(along.slopeU, freedom), ohms*ohms)
		r.SoftCharge = stated(ohms, u)
		r.Reason = fmt.Sprintf("the current falls along the voltage: a capacitance of %v behind about %v", quantity.Farads(c), quantity.Ohms(ohms))
	default:
		r.Shape = UnclearRamp
		r.Reason = fmt.Sprintf("the current fell from %v to %v on the way: neither a straight rise nor an exponential", quantity.Amperes(atStart), quantity.Amperes(atEnd))
	}
	return r
}

// bothEnds is what the voltage's error does to what goes by the difference between two voltages, by factor: a meter whose gain
// and offset are off stays within its limits at the bottom and at the top, by errors that need not be alike.
func (f *rampFit) bothEnds(factor float64) (u budget) {
	for range 2 {
		u.within(float64(f.o.VoltageError) * factor)
	}
	return u
}

// limits is a budget of limits of error alone.
func limits(half float64) (u budget) {
	u.within(half)
	return u
}

// fitted is a budget of a standard uncertainty with so many degrees of freedom alone.
func fitted(standard float64, freedom int) (u budget) {
	u.estimated(standard, freedom)
	return u
}

// Quiescent is the current that a charged bus goes on drawing: the mean of the readings, taken after it has settled. e are
// the limits of error of a reading; it does not average out. A current that still falls is undecided.
func Quiescent(points []RampPoint, e quantity.Amperes) Measure {
	if len(points) < 3 {
		return undecided("take more readings", "%d readings: a quiescent current needs at least 3", len(points))
	}
	var seconds, amperes []float64
	var all tally
	for _, p := range points {
		if math.IsNaN(float64(p.I)) || math.IsInf(float64(p.I), 0) {
			return undecided("read again", "a reading is no finite number")
		}
		seconds, amperes = append(seconds, float64(p.T)), append(amperes, float64(p.I))
		all.add(float64(p.I))
	}
	line := fitLine(seconds, amperes)
	change := line.slope * (seconds[len(seconds)-1] - seconds[0])
	scatter := all.deviation() / math.Sqrt(float64(all.n))
	if change < -0.2*math.Abs(all.mean()) && -change > float64(e) && line.fit > 0.6 {
		m := undecided("wait until it stands still", "the current still falls, by %v over the readings: charging or reforming is not over", quantity.Amperes(-change))
		m.AtMost = all.greatest
		return m
	}
	return statedBy(all.mean(), portion{"scatter of the readings", fitted(scatter, all.n-1)}, portion{"accuracy of the current", limits(float64(e))})
}
