package bench

import (
	"fmt"
	"math"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

const (
	apart     = time.Second            // two readings this far apart, both low
	thinned   = 100 * time.Millisecond // history keeps the higher of two readings closer than this
	histories = 64
	onTheWay  = 5   // readings on the way down that show that the meter sees the bus fall
	margin    = 0.9 // of the shortest possible fall; below it, the fall was too fast
	silent    = 5 * time.Second
)

// lowestLive is what a reading has to pass to show a live bus: a lead that hangs in the air reads less (practice).
const lowestLive quantity.Volts = 5

// down follows the drive's bus by the readings at its own terminals (P11). It does no I/O and has no clock: every method
// says when.
type down struct {
	safe quantity.Volts
	unit func(quantity.Volts) quantity.Volts // 95 % half width of the meter
	pull pull

	feeding  bool // something that can feed the bus is on or connected, or nobody knows
	switched bool // it was this process that switched it on
	seenLive bool // the meter was seen live since the last energising
	doubt    string
	proven   string // event.MeasuredDown, event.ProvenByHand or empty
	by       string
	hand     quantity.Volts
	handAt   time.Time
	why      string // why nothing is proven

	history []busReading
	falling int // readings in a row, each lower than the one before, the bus not fed
	apart   int // readings in a row far below what the supply gives
	last    busReading
	lastErr error

	supply   quantity.Volts
	supplyAt time.Time
	low      quantity.Volts // lowest reading since the last energising, to see the meter follow
	released time.Time
	from     quantity.Volts // first reading after the feed ended
}

type busReading struct {
	asked, arrived time.Time
	volts          quantity.Volts
}

// newDown starts with nothing proven, as every process does: what feeds the bus may be on.
func newDown(safe quantity.Volts, uncertainty func(quantity.Volts) quantity.Volts) *down {
	return &down{safe: safe, unit: uncertainty, feeding: true, low: math.MaxFloat64,
		why: "the program has just started and nobody has proven the bus since"}
}

// parameters tells the physics of the drive that is connected now.
func (d *down) parameters(p pull) { d.pull = p }

// fed says that something that can feed the bus was switched on or connected.
func (d *down) fed() {
	d.feeding, d.switched, d.seenLive, d.proven, d.by = true, true, false, "", ""
	d.low, d.falling, d.apart, d.supplyAt = math.MaxFloat64, 0, 0, time.Time{}
	d.why = "the bus was energised and the meter at the drive has not been seen live since"
}

// unfed says that everything that can feed the bus is off, and that this was read back.
func (d *down) unfed(at time.Time) {
	if !d.feeding {
		return
	}
	d.feeding, d.switched, d.falling, d.apart, d.released, d.from = false, false, 0, 0, at, d.last.volts
}

// supplyReads takes the supply's own reading. It never proves anything; it shows whether the meter follows.
func (d *down) supplyReads(at time.Time, volts quantity.Volts) { d.supply, d.supplyAt = volts, at }

// silentMeter says that the meter gave no reading.
func (d *down) silentMeter(err error) { d.lastErr = err }

// read takes a reading at the drive's bus terminals.
func (d *down) read(asked, arrived time.Time, volts quantity.Volts) {
	r := busReading{asked, arrived, quantity.Volts(math.Abs(float64(volts)))} // crossed leads are as live as straight ones
	d.lastErr = nil
	if was, needs := d.tooFast(r); needs > 0 {
		d.doubt = fmt.Sprintf("the meter fell from %v to %v in %s, but all that can pull the bus down needs at least %s: a lead fell off, or the bus capacitance is below its tolerance",
			was.volts, r.volts, round(r.arrived.Sub(was.asked)), round(needs))
		d.seenLive, d.history = false, nil
	}
	if d.feeding {
		d.follow(r)
	} else {
		d.fall(r)
	}
	d.remember(r)
	if d.proven != "" && r.volts >= d.safe {
		d.proven, d.by = "", ""
		d.why = fmt.Sprintf("the bus came back to %v after it was down: something feeds it, or its capacitors recovered", r.volts)
	}
	if !d.feeding && d.proven == "" && d.seenLive && d.doubt == "" && d.pull.known() && d.below(d.safe) {
		d.proven, d.why = event.MeasuredDown, ""
	}
}

// follow looks whether the meter sees what the supply does.
func (d *down) follow(r busReading) {
	d.low = min(d.low, r.volts)
	fresh := !d.supplyAt.IsZero() && r.arrived.Sub(d.supplyAt) < 2*time.Second
	switch {
	case fresh && d.supply >= lowestLive:
		near := 0.2*d.supply + 2
		if r.volts >= lowestLive && r.volts > d.supply-near && r.volts < d.supply+near {
			d.seen()
		}
		if d.seenLive && r.volts < d.supply/2-2 {
			if d.apart++; d.apart >= 3 {
				d.seenLive = false
				d.doubt = fmt.Sprintf("the meter shows %v while the supply gives %v: a lead fell off, or something opened between supply and drive", r.volts, d.supply)
			}
		} else {
			d.apart = 0
		}
	case !fresh && r.volts >= lowestLive && r.volts >= d.low+lowestLive: // nobody reads the supply: the meter has to be seen rising
		d.seen()
	}
}

// fall looks whether the meter sees the bus fall by itself.
func (d *down) fall(r busReading) {
	if r.volts >= lowestLive && d.doubt != "" && r.volts >= d.last.volts+lowestLive {
		d.doubt = "" // the lead is back: only the bus shows such a voltage
	}
	switch {
	case r.volts < lowestLive || r.volts > d.last.volts:
		d.falling = 0
	case d.last.volts-r.volts > d.unit(r.volts)/10:
		if d.falling++; d.falling >= onTheWay {
			d.seen()
		}
	}
}

func (d *down) seen() { d.seenLive, d.doubt = true, "" }

// tooFast finds an earlier reading from which the bus cannot have fallen to this one in the time between, and how long that
// would have taken at least.
func (d *down) tooFast(r busReading) (busReading, time.Duration) {
	if !d.pull.known() {
		return busReading{}, 0
	}
	for _, was := range d.history {
		if was.volts < lowestLive {
			continue
		}
		needs := d.pull.shortest(was.volts-d.unit(was.volts), r.volts+d.unit(r.volts))
		if time.Duration(margin*float64(needs)) > r.arrived.Sub(was.asked) {
			return was, needs
		}
	}
	return busReading{}, 0
}

func (d *down) remember(r busReading) {
	d.last = r
	if n := len(d.history); n > 0 && r.arrived.Sub(d.history[n-1].arrived) < thinned {
		if r.volts >= d.history[n-1].volts {
			d.history[n-1] = r
		}
		return
	}
	if len(d.history) == histories {
		d.history = append(d.history[:0], d.history[1:]...)
	}
	d.history = append(d.history, r)
}

// below tells whether the latest readings, a second apart and all between, are below a voltage.
func (d *down) below(limit quantity.Volts) bool {
	if d.last.arrived.IsZero() || d.last.volts >= limit {
		return false
	}
	for i := len(d.history) - 1; i >= 0; i-- {
		h := d.history[i]
		if h.volts >= limit || (!d.feeding && h.asked.Before(d.released)) {
			return false
		}
		if d.last.asked.Sub(h.arrived) >= apart {
			return true
		}
	}
	return false
}

// prove takes a person's proof with a proven meter (live, dead, live).
func (d *down) prove(at time.Time, by string, reading quantity.Volts) error {
	switch {
	case by == "":
		return fmt.Errorf("a proof by hand needs the name of the person who measured")
	case !(reading >= -d.safe && reading <= d.safe) || math.Abs(float64(reading)) >= float64(d.safe):
		return fmt.Errorf("%s read %v: the bus is down below %v only", by, reading, d.safe)
	case d.feeding:
		return fmt.Errorf("the supply that feeds the bus is on, or nobody knows that it is off: switch it off and have that read back, then measure again")
	case !d.last.arrived.IsZero() && at.Sub(d.last.arrived) < silent && d.last.volts >= d.safe:
		return fmt.Errorf("%s read %v but the meter at the bus shows %v: prove your meter on a known source and measure at the drive's own terminals", by, reading, d.last.volts)
	}
	d.proven, d.by, d.hand, d.handAt, d.why = event.ProvenByHand, by, reading, at, ""
	return nil
}

// state is what is known now.
func (d *down) state(now time.Time) DownState {
	s := DownState{Volts: d.last.volts, HasAny: !d.last.arrived.IsZero()}
	if s.HasAny {
		s.Age = now.Sub(d.last.arrived)
	}
	switch {
	case d.proven == event.ProvenByHand:
		s.State, s.By = event.ProvenByHand, d.by
		s.Why = fmt.Sprintf("%s read %v %s ago", d.by, d.hand, round(now.Sub(d.handAt)))
		if !s.HasAny || s.Age > silent {
			s.Volts, s.Age = d.hand, now.Sub(d.handAt)
		}
	case d.proven == event.MeasuredDown:
		s.State = event.MeasuredDown
		if s.Age > silent || d.doubt != "" {
			s.Why, s.Do = "nobody would see the bus come back: "+d.blind(s), "measure again before you touch"
		}
	case d.switched:
		s.State, s.Why = event.Live, "the bus is fed, or can be"
		if d.doubt != "" {
			s.Why = d.doubt
		}
	case s.HasAny && s.Age < silent && d.last.volts >= d.safe:
		s.State, s.Why, s.Do = event.Live, d.expect(now), "wait, and keep your hands out"
	default:
		s.State, s.Why, s.Do = event.NotProvenDown, d.reason(s), "measure at the drive's bus terminals with a meter that you have proven on a known source before and after, and give your name and the reading"
	}
	return s
}

func (d *down) blind(s DownState) string {
	if d.doubt != "" {
		return d.doubt
	}
	return fmt.Sprintf("the meter at the bus has not answered for %s", round(s.Age))
}

func (d *down) reason(s DownState) string {
	switch {
	case d.doubt != "":
		return d.doubt
	case !s.HasAny:
		return "there is no reading at the drive's bus terminals"
	case d.feeding:
		return d.why + "; the supply that feeds it has not confirmed that it is off"
	case !d.pull.known():
		return "the bus capacitance is not known, so nobody can tell a discharged bus from a lead that fell off"
	case d.lastErr != nil:
		return fmt.Sprintf("the meter at the bus does not answer: %v", d.lastErr)
	case d.seenLive && d.last.volts < d.safe:
		return fmt.Sprintf("the bus reads %v; a second reading below %v, one second after the first, is still to come", d.last.volts, d.safe)
	case !d.seenLive && d.why == "":
		return "the meter at the drive was not seen live since the bus was last energised"
	}
	return d.why
}

// expect says how the fall goes: as it should, or too slowly.
func (d *down) expect(now time.Time) string {
	left := d.pull.drive.longest(d.last.volts, d.safe)
	if d.released.IsZero() || left == 0 {
		return fmt.Sprintf("the meter at the drive's bus shows %v", d.last.volts)
	}
	if whole := d.pull.drive.longest(d.from, d.last.volts); now.Sub(d.released) > whole+whole/5+apart {
		return fmt.Sprintf("the bus falls slower than its bleeder would pull it (%v after %s): something still feeds it, or the bleeder is open", d.last.volts, round(now.Sub(d.released)))
	}
	return fmt.Sprintf("the bus is at %v and falls; it should be below %v in %s", d.last.volts, d.safe, round(left))
}

// round is a time as a person reads it: "1.5 s", "114 ms".
func round(d time.Duration) string {
	switch {
	case d >= 10*time.Second:
		d = d.Round(time.Second)
	case d >= time.Second:
		d = d.Round(100 * time.Millisecond)
	default:
		d = d.Round(time.Millisecond)
	}
	return quantity.SecondsOf(d).String()
}

// stateBelow is state with a lower voltage to be below, in two readings a second apart.
func (d *down) stateBelow(limit quantity.Volts, now time.Time) DownState {
	s := d.state(now)
	if !s.Down() {
		return s
	}
	reading := s.Volts
	low := d.below(limit)
	if d.proven == event.ProvenByHand {
		reading = d.hand
		low = math.Abs(float64(d.hand)) < float64(limit)
	}
	if !low {
		s.State = event.NotProvenDown
		s.Why = fmt.Sprintf("the bus reads %v; it has to be below %v in two readings a second apart", reading, limit)
		s.Do = "wait until the bleeder has pulled it down, or discharge it through a resistor, and measure again"
	}
	return s
}
