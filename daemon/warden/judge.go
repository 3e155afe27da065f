package warden

import (
	"math"
	"strings"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// Feed judges one reading; what passes a limit often enough trips. A reading with an error is none: its age goes on growing.
// A number that is none, or has another unit than its limit, counts as passed: a warden that cannot read trips (P5).
func (w *Warden) Feed(r event.Reading) {
	if r.Error != "" {
		return
	}
	now := time.Now()
	w.mu.Lock()
	f := w.judgeAll(r, now)
	if f == nil || w.tripped != nil {
		w.mu.Unlock()
		return
	}
	if !w.running {
		w.latch(now, f.trip())
		w.mu.Unlock()
		return
	}
	w.making++
	w.rests.Add(1)
	w.mu.Unlock()

	rest := w.cfg.MakeSafe(roleOf(f.limit.Quantity))

	trip := f.trip()
	w.mu.Lock()
	w.keep(now, trip)
	w.mu.Unlock()
	go w.finish(rest, trip)
}

// finding is a reading that passed a limit often enough.
type finding struct {
	limit *watch
	r     event.Reading
	v     judgement
}

func (f *finding) trip() event.Trip { return tripOf(f.limit, f.r, f.v) }

// judgeAll holds a reading against every limit that it concerns and returns the first that trips, nil if none does. It needs the
// lock.
func (w *Warden) judgeAll(r event.Reading, now time.Time) (first *finding) {
	if readable(r.Value.Number) {
		w.prior[r.Name] = sample{w.last[r.Name].Number, w.asked[r.Name]}
		w.heard(r, now)
		w.last[r.Name] = r.Value
		w.energise(r)
	}
	for _, l := range w.limits {
		if l.judgedOn() != r.Name || !l.onReadings() {
			continue
		}
		r := r
		if l.Kind == Apart {
			var between bool
			if r, between = w.meterBetween(l.Quantity, r.Name); !between {
				continue
			}
		}
		v := w.judge(l, r, now)
		if !v.judged {
			l.passed = nil
			continue
		}
		if l.count(v.passed) && first == nil {
			first = &finding{l, r, v}
		}
	}
	return first
}

// heard keeps when the reading's question was sent; one that claims to be from the future is taken as asked now.
func (w *Warden) heard(r event.Reading, now time.Time) {
	asked := r.Asked
	if asked.After(now) {
		asked = now
	}
	if asked.After(w.asked[r.Name]) {
		w.asked[r.Name] = asked
	}
}

func readable(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// judgement is what comes of a reading against a limit.
type judgement struct {
	judged     bool // false where the limit is not in force now
	passed     bool
	unreadable bool
	limit      quantity.Value // as it stands now
	origin     string
	found      *quantity.Value // what was compared, where that is not the reading itself
}

func (w *Warden) judge(l *watch, r event.Reading, now time.Time) judgement {
	limit, origin := l.effective()
	v := judgement{judged: true, limit: limit, origin: origin}
	role := fed(roleOf(l.Quantity))
	switch l.Kind {
	case ConstantCurrent:
		v.judged = !w.charging(role, r.Asked)
		v.passed = r.Text == "CC"
		return v
	case Interlock:
		v.passed = r.Text != "closed"
		return v
	case Protection:
		v.passed = r.Text != ""
		return v
	}
	switch l.Kind {
	case Power:
		return w.judgePower(l, r, v)
	case RampEnergy:
		given, ramping := w.given(role)
		v.judged, v.found = ramping, &given
		v.passed = !(given.Number <= limit.Number)
		return v
	}
	if !readable(r.Value.Number) || r.Value.Unit != l.Value.Unit {
		v.passed, v.unreadable = true, true
		return v
	}
	reading := r.Value.Number
	switch l.Kind {
	case High:
		v.passed = !(reading <= limit.Number)
	case Settled:
		v.judged = !w.charging(role, r.Asked)
		v.passed = !(reading <= limit.Number)
	case SetValue:
		set, known := w.highestSet(role, now)
		v.judged = known
		v.limit.Number = float64(set) + max(limit.Number, setValueShare*float64(set))
		v.passed = !(reading <= v.limit.Number)
	case Apart:
		set, _ := w.highestSet(role, now)
		v.judged = w.settled(role, r.Asked)
		v.limit.Number = max(limit.Number, setValueShare*float64(set))
		supply := role + ".voltage"
		low, high := order(w.prior[supply].value, w.last[supply].Number)
		apart := quantity.Value{Number: max(low-reading, reading-high, 0), Unit: quantity.Volt}
		v.found = &apart
		v.passed = !(apart.Number <= v.limit.Number)
	case Collapse:
		v.judged = w.upright(l, role, reading, now)
		v.passed = reading < limit.Number
	}
	return v
}

// judgePower compares what a supply gives with the limit: a capacitor that charges counts too.
func (w *Warden) judgePower(l *watch, r event.Reading, v judgement) judgement {
	volts, known := w.last[fed(roleOf(l.Quantity))+".voltage"]
	if !readable(r.Value.Number) || r.Value.Unit != quantity.Ampere {
		v.passed, v.unreadable = true, true
		return v
	}
	power := quantity.Value{Number: volts.Number * r.Value.Number, Unit: quantity.Watt}
	v.judged, v.found = known, &power
	v.passed = !(power.Number <= v.limit.Number)
	return v
}

// setValueShare is how far a voltage may stand above its set value, where that is more than the limit's own value (common
// practice, no source).
const setValueShare = 0.05

// upright says whether a collapse can be told: the voltage has been at the limit or above since it was last set so high.
func (w *Warden) upright(l *watch, role string, reading float64, now time.Time) bool {
	s, known := w.steps[role]
	limit, _ := l.effective()
	if !known || float64(s.least) < limit.Number {
		l.reached = false
		return false
	}
	if reading >= limit.Number {
		l.reached = true
	}
	return l.reached && !w.charging(role, now)
}

// judgeTime trips on what did not arrive and on a run that lasts too long.
func (w *Warden) judgeTime(now time.Time) {
	w.mu.Lock()
	defer w.unlock()
	for _, l := range w.limits {
		if l.onReadings() {
			continue
		}
		since := w.armedAt
		switch {
		case l.Kind == Age && w.asked[l.Quantity].After(since):
			since = w.asked[l.Quantity]
		case l.Kind == RampTime:
			r := w.steps[roleOf(l.Quantity)].ramp
			if r == nil {
				continue
			}
			since = r.began
		}
		limit, origin := l.effective()
		lasted := now.Sub(since)
		if l.Kind == RunTime {
			lasted -= w.waits.until(now)
		}
		if lasted > seconds(limit) {
			r := event.Reading{Name: l.Quantity, Value: quantity.SecondsOf(lasted).Value()}
			w.latch(now, tripOf(l, r, judgement{limit: limit, origin: origin}))
		}
	}
}

func seconds(v quantity.Value) time.Duration { return quantity.Seconds(v.Number).Duration() }

// count remembers whether the reading passed the limit and says whether N of the last M did.
func (l *watch) count(passed bool) bool {
	l.passed = append(l.passed, passed)
	if len(l.passed) > l.M {
		l.passed = l.passed[1:]
	}
	n := 0
	for _, p := range l.passed {
		if p {
			n++
		}
	}
	return n >= l.N
}

func roleOf(name string) string {
	role, _, _ := strings.Cut(name, ".")
	return role
}
