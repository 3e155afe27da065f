package station

import (
	"context"
	"math"
	"strconv"
	"time"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/drive"
)

// sideBench is what a bench has besides its bus: the drive's own supply, the reference and the Hall signals.
const sideBench = `
  control: {link: "tcp://control:1", dialect: plain-supply, safe: "off", order: 4, period: 300 ms, voltage_range: 36 V, current_range: 3 A, accuracy: {voltage: 0.2 % of reading + 20 mV, current: 0.5 % of reading + 5 mA}}
  reference: {link: "tcp://reference:1", dialect: plain-reference, safe: zero, order: 2, voltage_range: 10 V, accuracy: {voltage: 0.05 % of reading + 5 mV}}
  hall: {link: "tcp://hall:1", dialect: hall-source, safe: "off", order: 3}
`

// side is an instrument that does at once what it is told.
type side struct {
	on         bool
	set, limit float64
	ovp, ocp   float64
	flags      map[string]string
	code       int
}

// beside are the instruments of sideBench.
func beside() map[string]*side {
	all := map[string]*side{}
	for _, role := range []string{bench.Control, bench.Reference, bench.Hall} {
		all[role] = &side{ovp: 440, ocp: 11, flags: map[string]string{}}
	}
	return all
}

// most are the highest setpoints that the side instruments may be told.
func (w *world) most(role string) float64 {
	if role == bench.Control {
		return w.mostControl
	}
	return w.mostReference
}

// doSide carries out a command of an instrument beside the bus.
func (w *world) doSide(role, word, rest string, number func() float64) (answer string, asks, known bool) {
	i := w.sides[role]
	if i == nil {
		return "", false, false
	}
	flag := map[bool]string{true: "1", false: "0"}
	amperes := 0.0
	if i.on {
		amperes = min(0.4, i.limit)
	}
	volts := 0.0
	if i.on {
		volts = i.set
	}
	switch word {
	case "VOLT":
		i.set = number()
		if math.Abs(i.set) > w.most(role)+1e-9 {
			w.breaks("P4: a setpoint of %g V reached %s, %g V is the most", i.set, role, w.most(role))
		}
	case "CURR":
		i.limit = number()
	case "OUTP":
		if rest == "ON" && !w.running && time.Since(w.ranUntil) > 500*time.Millisecond && role != bench.Reference {
			w.breaks("P1: %s was switched on while no run was going on", role)
		}
		i.on = rest == "ON"
	case "VOLT:PROT":
		i.ovp = number()
	case "CURR:PROT":
		i.ocp = number()
	case "VOLT:PROT:STAT", "CURR:PROT:STAT":
		i.flags[word] = flag[rest == "ON"]
	case "OUTP:PROT:CLE":
	case "VOLT?":
		return format(i.set), true, true
	case "CURR?":
		return format(i.limit), true, true
	case "OUTP?":
		return flag[i.on], true, true
	case "MEAS:VOLT?":
		w.gives(role+".voltage", volts)
		return format(volts), true, true
	case "MEAS:CURR?":
		w.gives(role+".current", amperes)
		return format(amperes), true, true
	case "STAT:QUES:COND?":
		return "2", true, true
	case "VOLT:PROT?":
		return format(i.ovp), true, true
	case "CURR:PROT?":
		return format(i.ocp), true, true
	case "VOLT:PROT:STAT?", "CURR:PROT:STAT?":
		return i.flags[word[:len(word)-1]], true, true
	case "SOUR:HALL:CODE":
		i.code = int(number())
	case "SOUR:HALL:MODE", "SOUR:HALL:SPAC":
	case "SOUR:HALL:CODE?", "SENS:HALL:CODE?":
		return strconv.Itoa(i.code), true, true
	default:
		return "", false, false
	}
	return "", false, true
}

// sidesUp brings up what the drive needs before its bus.
func (s *sim) sidesUp(ctx context.Context, family *drive.Family) error {
	limits := family.LimitsFor(drive.Board)
	if err := s.bench.SwitchOn(ctx, bench.Output{Role: bench.Control, Voltage: family.Control.Nominal, Current: limits.ControlLimit}); err != nil {
		return err
	}
	if err := s.bench.Hall().Output(ctx, true); err != nil {
		return err
	}
	if err := s.bench.Hall().Code(ctx, 5); err != nil {
		return err
	}
	return s.bench.SwitchOn(ctx, bench.Output{Role: bench.Reference, Voltage: family.Reference.Sweep})
}

// finishWithin is how long make-safe may take for what it left until the bus was down, tries that fail and their being told included.
const finishWithin = 9 * time.Second

// sidesEnd holds the instruments beside the bus to what make-safe promises for them: once the bus is down they are off, or it is
// told that they are not.
func (s *sim) sidesEnd() {
	if s.sides == nil {
		return
	}
	var still []string
	for began := time.Now(); time.Since(began) < finishWithin; <-time.After(100 * time.Millisecond) {
		still = nil
		s.mu.Lock()
		for _, role := range []string{bench.Control, bench.Hall} {
			if s.sides[role].on {
				still = append(still, role)
			}
		}
		reference := *s.sides[bench.Reference]
		s.mu.Unlock()
		safe := s.bench.LastSafe().Confirmed && s.bench.Usable() == nil
		if !safe || !s.bench.Down().Down() {
			return // told as NOT SAFE or NOT PROVEN DOWN: then they are left
		}
		if reference.on && reference.set != 0 {
			still = append(still, bench.Reference)
		}
		if len(still) == 0 {
			return
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.breaks("P1: the bus is down and all counts as confirmed, and %v is still on", still)
}
