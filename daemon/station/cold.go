package station

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
	"benchwarden/daemon/script"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scpi"
)

// openWords are what a person types when the meter shows no reading.
var openWords = []string{"open", "ol", "o.l."}

// plausible bounds what can be typed in for a test; a meter shows nothing beyond.
var plausible = map[string]struct{ low, high quantity.Value }{
	"ohms":  {quantity.Ohms(0).Value(), quantity.Ohms(2e9).Value()},
	"diode": {quantity.Volts(0).Value(), quantity.Volts(5).Value()},
}

var whatIsRead = map[string]string{"ohms": "resistance", "diode": "forward voltage, in the meter's diode test,"}

// Between reads between two points of a drive that is not energised.
func (r *rig) Between(ctx context.Context, high, low, test string) (script.Reading, bool, error) {
	if _, ok := plausible[test]; !ok {
		return script.Reading{}, false, fmt.Errorf("cold: %q is neither ohms nor diode", test)
	}
	if err := r.handsOnDead(ctx); err != nil {
		return script.Reading{}, false, err
	}
	switched := r.Switched(high, low)
	var err error
	switch {
	case switched:
		err = r.bench().MatrixConnect(ctx, high, low)
	case r.meterByHand():
		return r.readByEye(ctx, high, low, test)
	default:
		err = r.leadsTo(ctx, high, low)
	}
	if err != nil {
		return script.Reading{}, false, err
	}
	reading, err := r.MeterRead(ctx, test)
	if switched && test == "ohms" {
		paths, statement := r.accuracy(bench.Matrix, accuracyOf[test], reading.Value.Number)
		both := verdict.NewBudget(quantity.Ohm)
		both.Limits("meter", reading.Uncertainty)
		both.Limits("paths", paths)
		reading.Uncertainty, _ = both.Expanded()
		reading.Accuracy += ", and " + statement + " between the matrix's paths"
		reading.Instrument = bench.Meter + " over " + bench.Matrix
	}
	reading.Name = test + " " + leadsAt(high, low)
	if errors.Is(err, scpi.ErrOverrange) {
		r.Emit(event.Note{Text: fmt.Sprintf("%s from %s to %s: open, past the meter's range", test, leadWords(high), leadWords(low))})
		return reading, true, nil
	}
	return reading, false, err
}

// FourWire says whether the meter's leads are four.
func (r *rig) FourWire() bool {
	in, ok := r.station.cfg.File.Instruments[bench.Meter]
	return ok && in.FourWire
}

// meterByHand says whether a person reads the meter.
func (r *rig) meterByHand() bool {
	in, ok := r.station.cfg.File.Instruments[bench.Meter]
	return !ok || in.Dialect == bench.HandDialect
}

// handsOnDead refuses to have hands and a meter's test current on a drive whose bus is fed or not proven down; a control supply that is
// still on, since drivers need it as long as the bus is not down, goes off first.
func (r *rig) handsOnDead(ctx context.Context) error {
	if on, set := r.bench().Energised(bench.Bus); r.HasRole(bench.Bus) && on {
		return fmt.Errorf("a resistance is read on a dead drive only, and the bus supply is on at %v", set)
	}
	if err := r.ProveDown(ctx); err != nil {
		return err
	}
	if on, _ := r.bench().Energised(bench.Control); r.HasRole(bench.Control) && on {
		return r.SwitchOff(ctx, bench.Control)
	}
	return nil
}

// handsTo notes that hands are at the drive with a meter's leads.
func (r *rig) handsTo() {
	r.leadsPlaced = true
	r.station.desk.HandsIn()
}

// leadsTo has the person put the meter's leads on two points, unless they are there.
func (r *rig) leadsTo(ctx context.Context, high, low string) error {
	r.handsTo()
	i := slices.IndexFunc(r.station.cfg.File.Probes, func(p bench.Probe) bool { return p.Role == bench.Meter })
	if i < 0 {
		return errors.New("the bench file names no probe of role meter: the meter's leads reach nothing")
	}
	probe, point := r.station.cfg.File.Probes[i].Name, leadsAt(high, low)
	if r.at(probe) == point {
		return nil
	}
	_, err := r.station.desk.Ask(ctx, event.Prompt{Action: hands.Place, Probe: probe, Point: point, Live: r.station.live(), Text: placeLeads(high, low)})
	if err != nil {
		return err
	}
	r.station.mu.Lock()
	defer r.station.mu.Unlock()
	r.station.places[probe] = point
	return nil
}

// leadsAt is the place of two leads in one word.
func leadsAt(high, low string) string { return high + "|" + low }

func placeLeads(high, low string) string {
	if high == low {
		return fmt.Sprintf("Put both of the meter's leads on %s", leadWords(high))
	}
	return fmt.Sprintf("Put the meter's red lead on %s and its black lead on %s", leadWords(high), leadWords(low))
}

// readByEye asks the person for the reading until it is one, or open.
func (r *rig) readByEye(ctx context.Context, high, low, test string) (script.Reading, bool, error) {
	r.handsTo()
	within, doubt := plausible[test], ""
	reading := script.Reading{Name: test + " " + leadsAt(high, low), Instrument: bench.Meter + ", read by hand"}
	for {
		a, err := r.station.desk.Ask(ctx, event.Prompt{Action: hands.Read, Point: test + "|" + leadsAt(high, low), Unit: within.low.Unit.String(), Live: r.station.live(),
			Text: fmt.Sprintf("%s%s. Type the %s when it stands still, or: open", doubt, placeLeads(high, low), whatIsRead[test])})
		if err != nil {
			return reading, false, err
		}
		if slices.Contains(openWords, strings.ToLower(strings.TrimSpace(a.Text))) {
			return reading, true, nil
		}
		v, err := quantity.ParseAs(a.Text, within.low.Unit)
		switch {
		case err != nil:
			doubt = fmt.Sprintf("(%v) ", err)
		case v.Number < within.low.Number || v.Number > within.high.Number:
			doubt = fmt.Sprintf("(%v is outside %v to %v: look at the unit and the decimal point) ", v, within.low, within.high)
		default:
			reading.Value, reading.At = v, time.Now()
			reading.Uncertainty, reading.Accuracy = r.accuracy(bench.Meter, accuracyOf[test], v.Number)
			r.Emit(event.Reading{Name: reading.Name, Value: v, Asked: reading.At, Arrived: reading.At, Instrument: reading.Instrument})
			return reading, false, nil
		}
	}
}

// Join has the person short two points for a moment.
func (r *rig) Join(ctx context.Context, a, b string) error {
	if err := r.handsOnDead(ctx); err != nil {
		return err
	}
	if r.Switched(a, b) {
		return r.bench().MatrixJoin(ctx, a, b)
	}
	r.handsTo()
	_, err := r.station.desk.Ask(ctx, event.Prompt{Action: hands.Join, Point: leadsAt(a, b), Live: r.station.live(),
		Text: fmt.Sprintf("Short %s to %s with a wire for a second, then take it away", leadWords(a), leadWords(b))})
	return err
}

// Switched says whether the bench's matrix reaches both points. A meter that a person reads needs no matrix.
func (r *rig) Switched(high, low string) bool {
	return r.HasRole(bench.Matrix) && !r.meterByHand() && r.bench().MatrixReaches(high, low)
}

// LeadsOff has the leads taken off, and hears that hands are clear. A matrix is opened; nobody has put a hand in for it.
func (r *rig) LeadsOff(ctx context.Context) error {
	if r.HasRole(bench.Matrix) {
		if err := r.bench().MatrixOpen(ctx); err != nil {
			return err
		}
	}
	if !r.leadsPlaced {
		return nil
	}
	_, err := r.station.desk.Handle(ctx, false, event.Prompt{Action: hands.Confirm, Offers: []string{"done"}, Text: "Take the meter's leads off the drive"})
	r.station.mu.Lock()
	defer r.station.mu.Unlock()
	for _, p := range r.station.cfg.File.Probes {
		if p.Role == bench.Meter {
			delete(r.station.places, p.Name)
		}
	}
	return err
}

// leadWords is where one lead goes, in a sentence. A gate is a point here, not a voltage against its source.
func leadWords(point string) string {
	if gate, ok := strings.CutPrefix(point, "gate:"); ok {
		return "the gate of " + gate
	}
	return words(point)
}

// deadWords is a point of the dead drive in a sentence.
func deadWords(point string) string {
	kind, rest, _ := strings.Cut(point, ":")
	switch kind {
	case "bus+":
		return "bus positive, behind the fuse"
	case "bus-":
		return "bus negative"
	case "feed+":
		return "bus positive, in front of the fuse"
	case "charge+":
		return "the point between bus fuse and soft-charge resistor"
	case "mid":
		return "the midpoint of the bus capacitors"
	case "chassis":
		return "the bare chassis"
	case "common":
		return "the control common"
	case "output":
		return "the driver's output of " + rest + ", in front of its gate resistor"
	case "line":
		return "mains input " + rest
	}
	return point
}
