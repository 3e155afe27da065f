package station

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"sync"
	"time"

	"benchwarden/instruments/link"
)

// harm is what a fault does.
type harm string

// The harms. Those of an exchange happen to so many exchanges of an instrument from a moment on.
const (
	lostCommand  harm = "the command is lost"
	lostAnswer   harm = "the answer is lost"
	lateAnswer   harm = "the answer comes late"
	twice        harm = "the answer comes twice"
	cutShort     harm = "the answer is cut short"
	garbage      harm = "the answer is garbage"
	dropsBefore  harm = "the connection drops before the message is taken"
	dropsWithin  harm = "the connection drops within the answer"
	ignoresOff   harm = "the supply ignores off"
	saysOff      harm = "the supply says off and 0 V whatever it does"
	runsAway     harm = "the supply's voltage runs away"
	frozen       harm = "the meter repeats its last reading"
	leadOff      harm = "a lead of the meter falls off"
	dead         harm = "the instrument is gone"
	personStops  harm = "a person stops the run"
	tightens     harm = "the script tightens a limit and restores it"
	drawsCurrent harm = "something draws a current from the bus"
	paced        harm = "every line is a serial one at 9600 baud"
	tooLate      harm = "the act comes too late"
	never        harm = "nobody answers a prompt"
	nonsense     harm = "prompts are answered from elsewhere, and twice"
	holds        harm = "hands are in the bench for a while"
	computes     harm = "the script computes for ever and hears no stop"
	waits        harm = "the script waits for ever"
	goesOn       harm = "the script goes on whatever it is told"
	fillsDisk    harm = "the disk fills up"
	movesLimits  harm = "the limits are changed while the run goes on"
)

var harms = []harm{lostCommand, lostAnswer, lateAnswer, twice, cutShort, garbage, dropsBefore, dropsWithin, ignoresOff, saysOff, runsAway, frozen,
	leadOff, dead, personStops, tightens, drawsCurrent, paced, tooLate, never, nonsense, holds, computes, waits, goesOn, fillsDisk, movesLimits}

// roleOfHarm is whose trouble a harm is, where it is not any instrument's.
var roleOfHarm = map[harm]string{
	ignoresOff: "bus", saysOff: "bus", runsAway: "bus", drawsCurrent: "bus", personStops: "bus", tightens: "bus", frozen: "bus_meter", leadOff: "bus_meter",
	paced: "lines", tooLate: "person", never: "person", nonsense: "person", holds: "person", computes: "script", waits: "script", goesOn: "script",
	fillsDisk: "disk", movesLimits: "limits",
}

// trouble is one fault of a schedule.
type trouble struct {
	harm  harm
	role  string
	at    time.Duration // from the run's start
	times int           // exchanges, or offs; large is for ever
	odd   float64       // what else the harm needs: 0 to 1
}

func (t trouble) String() string {
	return fmt.Sprintf("from %v on: %s: %s (%d times, %.2f)", t.at.Round(time.Millisecond), t.role, t.harm, t.times, t.odd)
}

// world is a bus with the instruments around it, in memory and in virtual time.
type world struct {
	dice    *rand.Rand
	salt    uint64          // of what is drawn apart from the dice
	opened  map[string]int  // connections of an instrument
	ctx     context.Context // ends the instruments
	serving sync.WaitGroup  // their connections

	mu       sync.Mutex
	began    time.Time
	troubles []*trouble
	// bus
	farads, ohms float64
	volts        float64
	flowedAt     time.Time
	draw         float64 // a load, A
	// supply
	on               bool
	set, limit       float64
	ovp, ocp         float64
	ovpOn, ocpOn     bool
	tripped          bool
	runaway          float64
	onSent           int // switch-ons under way
	ese              map[string]int
	contacts         map[int]bool
	held             float64 // the frozen meter's
	holding          bool
	exchanges        int
	loseOne          int      // of the sweep: the exchange that is lost, 0 none
	loseReply        bool     // its answer rather than its command
	past             []string // broken promises, as they are seen
	mostVolts, mostA float64
	sides            map[string]*side // instruments beside the bus; nil where the bench has none
	mostControl      float64
	mostReference    float64
	running          bool // a run is going on
	ranUntil         time.Time
	silence          float64
	given            map[string][]answered
	byteTime         time.Duration // of a serial line
	permitted        bool          // somebody at the bench has allowed the energising that stands
	barred           time.Time     // since when it is not
	why              string        // what barred it
	pedal            pedal
	tells            func(format string, args ...any)
}

// answered is a value that an instrument gave out, and when it was taken.
type answered struct {
	at    time.Time
	value float64
}

func newWorld(ctx context.Context, dice *rand.Rand) *world {
	return &world{dice: dice, salt: dice.Uint64(), opened: map[string]int{}, ctx: ctx, began: time.Now(), flowedAt: time.Now(), farads: 470e-6, ohms: 3900, ese: map[string]int{},
		contacts: map[int]bool{}, given: map[string][]answered{}, ovp: 440, ocp: 11, ovpOn: true, why: "nobody has allowed anything", tells: func(string, ...any) {}}
}

func (w *world) breaks(format string, args ...any) {
	w.past = append(w.past, fmt.Sprintf("%v: ", time.Since(w.began).Round(time.Millisecond))+fmt.Sprintf(format, args...))
}

// flow brings the bus up to now. The supply gives its limit until the set voltage is reached; it pulls nothing down.
func (w *world) flow() {
	now := time.Now()
	dt := now.Sub(w.flowedAt).Seconds()
	w.flowedAt = now
	if dt <= 0 {
		return
	}
	target := w.set
	if w.runaway > 0 {
		target = w.runaway
	}
	relax := func(to float64) float64 { return to + (w.volts-to)*math.Exp(-dt/(w.ohms*w.farads)) }
	switch {
	case w.on && w.volts <= target:
		w.volts = min(relax((w.limit-w.draw)*w.ohms), target)
	case w.on:
		w.volts = max(relax(-w.draw*w.ohms), target)
	default:
		w.volts = relax(-w.draw * w.ohms)
	}
	w.volts = max(w.volts, 0)
	if w.on && w.ovpOn && w.volts > w.ovp {
		w.on, w.tripped = false, true
	}
}

// amperes is what the supply gives now.
func (w *world) amperes() float64 {
	target := w.set
	if w.runaway > 0 {
		target = w.runaway
	}
	switch {
	case !w.on || w.volts > target+1e-9:
		return 0
	case w.volts < target-1e-6:
		return w.limit
	}
	return min(w.volts/w.ohms+w.draw, w.limit)
}

// hit takes one use of a trouble that is due.
func (w *world) hit(role string, kinds ...harm) *trouble {
	for _, t := range w.troubles {
		if t.role != role || t.times <= 0 || time.Since(w.began) < t.at {
			continue
		}
		for _, k := range kinds {
			if t.harm == k {
				t.times--
				return t
			}
		}
	}
	return nil
}

// acts says whether a lasting trouble is due.
func (w *world) acts(role string, kind harm) *trouble {
	for _, t := range w.troubles {
		if t.role == role && t.harm == kind && t.times > 0 && time.Since(w.began) >= t.at {
			return t
		}
	}
	return nil
}

var errRefused = errors.New("connection refused")

// open is a link's Open for an instrument: it starts who answers on the connection.
func (w *world) open(role string) func(context.Context) (link.Port, error) {
	return func(context.Context) (link.Port, error) {
		w.mu.Lock()
		defer w.mu.Unlock()
		if w.acts(role, dead) != nil {
			return nil, errRefused
		}
		c := newWire()
		c.sent = func(line string) { w.leaves(role, line) }
		w.opened[role]++
		own := w.pace(role, w.opened[role])
		c.odd = time.Duration(1 + own.Int64N(int64(5*time.Microsecond)))
		takes := 3*time.Millisecond + time.Duration(own.Int64N(int64(900*time.Microsecond)))
		w.serving.Go(func() { w.answer(role, c, takes, own) })
		return c, nil
	}
}

// pace are a connection's own dice: instruments that are opened at the same instant come in no fixed order, and no two things that
// a seed draws may fall on one instant, or it would not replay.
func (w *world) pace(role string, n int) *rand.Rand {
	h := fnv.New64a()
	fmt.Fprint(h, role, n)
	return rand.New(rand.NewPCG(w.salt, h.Sum64()))
}

// leaves is told each message as it leaves the program.
func (w *world) leaves(role, line string) {
	if (role == "bus" || role == "control") && strings.Contains(line, "OUTP ON") {
		w.mu.Lock()
		defer w.mu.Unlock()
		if !w.permitted && time.Since(w.barred) > 50*time.Millisecond {
			w.breaks("P10: %s is switched on without an act at the bench (%s)", role, w.why)
		}
	}
}

// bar is what ends an act: nothing may be switched on from now on.
func (w *world) bar(why string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.permitted {
		w.permitted, w.barred, w.why = false, time.Now(), why
	}
}

// answer takes the messages of a connection one after the other.
func (w *world) answer(role string, c *wire, takes time.Duration, own *rand.Rand) {
	defer c.Close()
	next := func(line string) bool {
		return w.exchange(role, c, line, takes+time.Duration(own.Int64N(int64(50*time.Microsecond))))
	}
	for w.ctx.Err() == nil {
		select { // what has left the program is taken, ended or not
		case line := <-c.lines:
			if !next(line) {
				return
			}
			continue
		default:
		}
		select {
		case line := <-c.lines:
			if !next(line) {
				return
			}
		case <-c.ended:
			if len(c.lines) == 0 {
				return
			}
		case <-w.ctx.Done():
		}
	}
}

// exchange carries one message out and answers it; false ends the connection.
func (w *world) exchange(role string, c *wire, line string, takes time.Duration) bool {
	<-time.After(takes + time.Duration(len(line)+1)*w.byteTime)
	w.mu.Lock()
	w.exchanges++
	lost := w.exchanges == w.loseOne
	if w.acts(role, dead) != nil || w.hit(role, dropsBefore) != nil {
		w.mu.Unlock()
		return false
	}
	if w.hit(role, lostCommand) != nil || lost && !w.loseReply {
		w.mu.Unlock()
		return true
	}
	w.flow()
	w.tells("     %s takes %q, on: %t, %.2f V", role, line, w.on, w.volts)
	var answers []string
	for _, part := range strings.Split(line, ";") {
		if a, ok := w.do(role, strings.TrimPrefix(strings.TrimSpace(part), ":")); ok {
			answers = append(answers, a)
		}
	}
	text := strings.Join(answers, ";")
	var late time.Duration
	times := 1
	if text != "" {
		if lost {
			text = ""
		}
		switch t := w.hit(role, lostAnswer, lateAnswer, twice, cutShort, garbage, dropsWithin); {
		case t == nil:
		case t.harm == lostAnswer:
			text = ""
		case t.harm == lateAnswer:
			late = time.Duration(t.odd * float64(5*time.Second))
		case t.harm == twice:
			times = 2
		case t.harm == cutShort:
			text = text[:int(t.odd*float64(len(text)))]
			w.mu.Unlock()
			c.says(text) // without its end
			return true
		case t.harm == garbage:
			text = "\x80\x81?" + strings.ToUpper(text) + "#"
		case t.harm == dropsWithin:
			text = text[:int(t.odd*float64(len(text)+1))]
			w.mu.Unlock()
			c.says(text)
			return false
		}
	}
	w.mu.Unlock()
	if text == "" {
		return true
	}
	if late += time.Duration(len(text)+1) * w.byteTime; late > 0 {
		<-time.After(late)
	}
	for range times {
		c.says(text + "\n")
	}
	return true
}

// do carries out one command of a message, as the plain dialects write them.
func (w *world) do(role, command string) (answer string, asks bool) {
	word, rest, _ := strings.Cut(command, " ")
	number := func() float64 {
		x, err := strconv.ParseFloat(rest, 64)
		if err != nil {
			w.breaks("%s was told %q", role, command)
		}
		return x
	}
	flag := map[bool]string{true: "1", false: "0"}
	switch word {
	case "*IDN?":
		kind := map[string]string{"bus": "watched supply", "bus_meter": "meter", "contacts": "contacts", "control": "supply", "reference": "reference", "hall": "hall"}[role]
		return "Quayside Simulated," + kind + " SIMULATED,1,1.0", true
	case "*OPC?":
		return "1", true
	case "*ESE":
		w.ese[role] = int(number())
		return "", false
	case "*ESE?":
		return strconv.Itoa(w.ese[role]), true
	case "SYST:ERR?":
		return `0,"No error"`, true
	case "*CLS", "":
		return "", false
	}
	switch role {
	case "bus":
		return w.supply(word, rest, number, flag)
	case "bus_meter":
		if word == "MEAS:VOLT:DC?" {
			return format(w.meter()), true
		}
	case "contacts":
		channel, _ := strconv.Atoi(strings.Trim(rest, "(@)"))
		switch word {
		case "ROUT:CLOS":
			w.contacts[channel] = true
			return "", false
		case "ROUT:OPEN":
			w.contacts[channel] = false
			return "", false
		case "ROUT:CLOS?":
			return flag[w.contacts[channel]], true
		case "SENS:DIG:DATA:BIT9?":
			return flag[w.pedalReads()], true
		}
	}
	if answer, asks, known := w.doSide(role, word, rest, number); known {
		return answer, asks
	}
	w.breaks("%s was told %q, which it does not know", role, command)
	return "", false
}

func format(x float64) string { return strconv.FormatFloat(x, 'e', 9, 64) }

// supply carries out the commands of the bus supply.
func (w *world) supply(word, rest string, number func() float64, flag map[bool]string) (string, bool) {
	lies := w.acts("bus", saysOff) != nil
	switch word {
	case "VOLT":
		w.set = number()
		if w.set > w.mostVolts+1e-9 {
			w.breaks("a setpoint of %g V reached the supply, %g V is the most", w.set, w.mostVolts)
		}
	case "CURR":
		w.limit = number()
		if w.limit > w.mostA+1e-9 {
			w.breaks("a current limit of %g A reached the supply, %g A is the most", w.limit, w.mostA)
		}
	case "OUTP":
		if rest == "ON" {
			w.switchOn()
		} else if w.hit("bus", ignoresOff) == nil {
			w.on = false
		}
	case "VOLT:PROT":
		w.ovp = number()
	case "VOLT:PROT:STAT":
		w.ovpOn = rest == "ON"
	case "CURR:PROT":
		w.ocp = number()
	case "CURR:PROT:STAT":
		w.ocpOn = rest == "ON"
	case "OUTP:PROT:CLE":
		w.tripped = false
	case "OUTP:SIL":
		w.silence = number()
	case "OUTP:SIL?":
		return format(w.silence), true
	case "VOLT?":
		return format(w.set), true
	case "CURR?":
		return format(w.limit), true
	case "OUTP?":
		return flag[w.on && !lies], true
	case "MEAS:VOLT?":
		v := w.volts
		if lies {
			v = 0
		}
		w.gives("bus.voltage", v)
		return format(v), true
	case "MEAS:CURR?":
		a := w.amperes()
		if lies {
			a = 0
		}
		w.gives("bus.current", a)
		return format(a), true
	case "STAT:QUES:COND?":
		bits := 1 << 1
		if w.on && w.volts < w.set-1e-6 {
			bits = 1 << 0
		}
		if w.tripped {
			bits |= 1 << 9
		}
		return strconv.Itoa(bits), true
	case "VOLT:PROT?":
		return format(w.ovp), true
	case "VOLT:PROT:STAT?":
		return flag[w.ovpOn], true
	case "CURR:PROT?":
		return format(w.ocp), true
	case "CURR:PROT:STAT?":
		return flag[w.ocpOn], true
	default:
		w.breaks("the supply was told %q, which it does not know", word+" "+rest)
	}
	return "", false
}

// switchOn takes its time, and comes whatever became of the connection.
func (w *world) switchOn() {
	w.onSent++
	after := 20*time.Millisecond + time.Duration(w.dice.Int64N(int64(120*time.Millisecond)))
	time.AfterFunc(after, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.flow()
		w.onSent--
		if !w.tripped {
			w.on = true
		}
	})
}

// meter is what the meter at the drive reads.
func (w *world) meter() float64 {
	v := w.volts
	if w.acts("bus_meter", leadOff) != nil {
		v = 0
	}
	if w.acts("bus_meter", frozen) != nil {
		if !w.holding {
			w.held, w.holding = v, true
		}
		v = w.held
	}
	w.gives("bus_meter.voltage", v)
	return v
}

func (w *world) gives(name string, value float64) {
	x, _ := strconv.ParseFloat(format(value), 64)
	w.given[name] = append(w.given[name], answered{time.Now(), x})
}

// gave says whether an instrument gave that value out within a time.
func (w *world) gave(name string, value float64, from, to time.Time) bool {
	all := w.given[name]
	for i := len(all) - 1; i >= 0 && !all[i].at.Before(from); i-- {
		if !all[i].at.After(to) && all[i].value == value {
			return true
		}
	}
	return false
}
