package drive

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// Learnt lists the runs on good units that a family's figures came from; empty where they came from data. A file without such
// runs may say false.
type Learnt []string

// UnmarshalText reads "false".
func (l *Learnt) UnmarshalText(text []byte) error {
	if string(text) != "false" {
		return errors.New("wants the list of the runs that it was learnt from, or false")
	}
	*l = nil
	return nil
}

// Lesson is what good units showed of one figure.
type Lesson struct {
	Least, Most quantity.Value
	U           float64 // the largest 95 % half width of a reading
	// Each is one reading a unit and subject. It is empty where a reading is the worst of many: how the others spread
	// does not follow from those.
	Each  []float64
	Units int
}

// Lessons are what is learnt; nil is not seen.
type Lessons struct {
	On, Off         *Lesson // gate levels
	Frequency       *Lesson
	DeadTime        *Lesson
	Rails, Ripples  map[string]*Lesson // by the rail's name
	Capacitance     *Lesson
	Bleeder         *Lesson         // see Bus.BleederBehind
	SupplyCapacity  quantity.Farads // that stayed on the bus beside the drive's own when its discharge was seen
	Quiescent       *Lesson
	FittedQuiescent *Lesson
	LoadRipple      *Lesson
}

// How much is left around what few good units showed, to both sides (common practice, no source). From verdict.FewestUnits on
// their own spread says it.
const (
	aroundLevel     = 0.1  // of the gate's swing
	aroundFrequency = 0.05 // of the value, as all below
	aroundDeadTime  = 0.3
	aroundRail      = 0.05
	aroundRipple    = 1.0 // above only
	aroundCapacity  = 0.2
	aroundBleeder   = 0.1
	aroundQuiescent = 0.3
)

// Learn writes a family file from the file that good units were tested by: name and title, the runs, and the figures that the
// units showed, each with room around it. A limit that the file had is only ever narrowed. It tells what was learnt, in words.
func Learn(base *Family, name, title string, runs []string, l Lessons) (text string, told []string, err error) {
	p := &pupil{text: base.Text()}
	p.set(name, "family")
	p.set(quoted(title), "title")
	p.marked(runs)
	if l.On != nil && l.Off != nil {
		room := aroundLevel * (l.On.Most.Number - l.Off.Least.Number)
		p.band("gate.on", "gate level on", l.On, room, float64(base.Gate.On.Low), float64(base.Gate.On.High))
		p.band("gate.off", "gate level off", l.Off, room, float64(base.Gate.Off.Low), float64(base.Gate.Off.High))
	}
	p.centre("modulation.frequency", "modulation.frequency_within", "chopping frequency", l.Frequency, aroundFrequency, base.Modulation.Frequency.Value(), base.Modulation.Within)
	p.ends("modulation.dead_time.shortest", "modulation.dead_time.longest", "dead time", l.DeadTime, l.DeadTime.share(aroundDeadTime),
		float64(base.Modulation.DeadTime.Shortest), float64(base.Modulation.DeadTime.Longest))
	for _, rail := range slices.Sorted(maps.Keys(base.Rails)) {
		was, key := base.Rails[rail], "rails."+rail
		p.centre(key+".nominal", key+".within", "rail "+rail, l.Rails[rail], aroundRail, was.Nominal.Value(), was.Within)
		p.upper(key+".ripple_within", "ripple of rail "+rail, l.Ripples[rail], aroundRipple, float64(was.Ripple))
	}
	p.bus(base.Bus, l)
	if f := base.Fitted; f != nil {
		p.band("fitted.quiescent", "quiescent current with devices fitted", l.FittedQuiescent, l.FittedQuiescent.share(aroundQuiescent), float64(f.Quiescent.Low), float64(f.Quiescent.High))
		p.upper("fitted.load_ripple_within", "bus ripple under the dummy load", l.LoadRipple, aroundRipple, float64(f.Ripple))
	}
	switch {
	case p.err != nil:
		return "", nil, p.err
	case len(p.told) == 0:
		return "", nil, errors.New("these runs show no figure that a family file could learn: run rails, bus_ramp and gate_sweep on a good unit")
	}
	return p.text, p.told, nil
}

// bus learns what a bus is: its capacitance and bleeder, and the current at rest.
func (p *pupil) bus(was Bus, l Lessons) {
	c, cWithin := was.Capacitance, was.CapWithin
	if l.Capacitance != nil {
		middle, share := p.centre("bus.capacitance", "bus.capacitance_within", "bus capacitance", l.Capacitance, aroundCapacity, was.Capacitance.Value(), was.CapWithin)
		c, cWithin = quantity.Farads(middle), quantity.Ratio(share)
	}
	p.band("bus.quiescent", "quiescent current", l.Quiescent, l.Quiescent.share(aroundQuiescent), float64(was.Quiescent.Low), float64(was.Quiescent.High))
	if l.Bleeder == nil || p.err != nil {
		return
	}
	// The discharge is judged by capacitance and bleeder together: their product must not have more room than it had.
	low, high, how := l.Bleeder.allowed(l.Bleeder.share(aroundBleeder))
	low, high = max(low, float64(was.Bleeder)*(1-float64(was.BleedWithin))), min(high, float64(was.Bleeder)*(1+float64(was.BleedWithin)))
	middle := (low + high) / 2
	before := float64(was.Capacitance+l.SupplyCapacity) * float64(was.Bleeder)
	after := float64(c+l.SupplyCapacity) * middle
	spread := float64(was.CapWithin + was.BleedWithin)
	share := min((high-low)/2/middle, before*(1+spread)/after-1-float64(cWithin), 1-float64(cWithin)-before*(1-spread)/after)
	if !(share > rounding) {
		p.told = append(p.told, fmt.Sprintf("bleeder: %v to %v were seen; that leaves no room within what the family allowed, and its figure stays", l.Bleeder.Least, l.Bleeder.Most))
		return
	}
	p.within("bus.bleeder", "bus.bleeder_within", "bleeder", l.Bleeder, middle, share, how)
}

// BleederBehind is the resistance that discharges a bus with the time constant that was seen, and the capacitance beside the
// bus's own that it discharged too, the supply's. nominal is the time constant that the family's own figures gave on that bench,
// c the capacitance that the unit showed.
func (b Bus) BleederBehind(seen, nominal quantity.Seconds, c quantity.Farads) (quantity.Ohms, quantity.Farads) {
	beside := quantity.Farads(max(0, float64(nominal)/float64(b.Bleeder)-float64(b.Capacitance)))
	return quantity.Ohms(float64(seen) / float64(c+beside)), beside
}

// share is a part of the greatest size that was seen.
func (l *Lesson) share(part float64) float64 {
	if l == nil {
		return 0
	}
	return part * max(math.Abs(l.Least.Number), math.Abs(l.Most.Number))
}

// allowed are the limits that follow: of few units what they showed with room around it, of many six robust sigmas about the
// robust mean, where one reading a unit is known. Either way the readings' uncertainty comes on top. how tells which.
func (l *Lesson) allowed(room float64) (low, high float64, how string) {
	if l.Units >= verdict.FewestUnits {
		if p, err := verdict.Describe(l.Each); err == nil {
			low, high = p.Limits()
			low, high = low-l.U, high+l.U
			how = fmt.Sprintf(", by the spread of %d units", l.Units)
			outside := 0
			for _, x := range l.Each {
				if x < low || x > high {
					outside++
				}
			}
			if outside > 0 {
				how += fmt.Sprintf("; %d of %d readings lie outside, unlike the others: look at those units", outside, len(l.Each))
			}
			return low, high, how
		}
	}
	return l.Least.Number - l.U - room, l.Most.Number + l.U + room, ""
}

func (p *pupil) band(key, what string, l *Lesson, room, lowest, highest float64) {
	p.ends(key+".low", key+".high", what, l, room, lowest, highest)
}

// ends sets both ends of what is allowed, never outside what was allowed before.
func (p *pupil) ends(lowKey, highKey, what string, l *Lesson, room, lowest, highest float64) {
	if l == nil {
		return
	}
	from, to, how := l.allowed(room)
	low := quantity.Value{Number: max(lowest, from), Unit: l.Least.Unit}
	high := quantity.Value{Number: min(highest, to), Unit: l.Least.Unit}
	p.set(low.String(), strings.Split(lowKey, ".")...)
	p.set(high.String(), strings.Split(highKey, ".")...)
	p.told = append(p.told, fmt.Sprintf("%s: %v to %v were seen, %v to %v are allowed%s", what, l.Least, l.Most, low, high, how))
}

// upper sets what is allowed at most; where the family has no such limit nothing is learnt.
func (p *pupil) upper(key, what string, l *Lesson, part, highest float64) {
	if l == nil || highest == 0 {
		return
	}
	_, to, how := l.allowed(l.share(part))
	high := quantity.Value{Number: min(highest, to), Unit: l.Least.Unit}
	p.set(high.String(), strings.Split(key, ".")...)
	p.told = append(p.told, fmt.Sprintf("%s: up to %v was seen, %v is allowed%s", what, l.Most, high, how))
}

// centre sets a value with its tolerance, never outside what was allowed before, and gives both.
func (p *pupil) centre(key, withinKey, what string, l *Lesson, part float64, was quantity.Value, within quantity.Ratio) (middle, share float64) {
	if l == nil {
		return 0, 0
	}
	low, high, how := l.allowed(part * math.Abs(l.Least.Number+l.Most.Number) / 2)
	margin := math.Abs(was.Number) * float64(within)
	low, high = max(low, was.Number-margin), min(high, was.Number+margin)
	middle = (low + high) / 2
	share = (high - low) / 2 / math.Abs(middle)
	if !(share > rounding) {
		p.err = errors.Join(p.err, fmt.Errorf("%s: %v lies at the end of what the family allowed: it teaches nothing", what, l.Most))
		return middle, share
	}
	p.within(key, withinKey, what, l, middle, share, how)
	return middle, share
}

// rounding is what a tolerance is smaller than it might be, since figures are written with five digits.
const rounding = 1e-4

func (p *pupil) within(key, withinKey, what string, l *Lesson, middle, share float64, how string) {
	value, tolerance := quantity.Value{Number: middle, Unit: l.Least.Unit}, quantity.Ratio(share-rounding)
	p.set(value.String(), strings.Split(key, ".")...)
	p.set(tolerance.String(), strings.Split(withinKey, ".")...)
	p.told = append(p.told, fmt.Sprintf("%s: %v to %v were seen, %v within %v is allowed%s", what, l.Least, l.Most, value, tolerance, how))
}
