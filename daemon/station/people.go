package station

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/hands"
	"benchwarden/daemon/script"
	"benchwarden/instruments/quantity"
)

// probingVolts is the highest d.c. voltage at which hands may come near what is energised, from an isolated source only
// (P10; IEC 61140 and IEC 60204-1: 60 V d.c., dry).
const probingVolts quantity.Volts = 60

// jumperVolts is what the bus has to be below before jumpers or devices are fitted (P11).
const jumperVolts quantity.Volts = 5

func (r *rig) Announce(ctx context.Context, a script.Announcement) error {
	if r.HasRole(bench.Matrix) { // no meter's test current meets what is energised
		if err := r.bench().MatrixOpen(ctx); err != nil {
			return err
		}
	}
	longest, byHand := handTime(r.station.cfg.File, a)
	if cut := a.Longest.Duration() + byHand - longest; cut > 0 {
		r.Emit(event.Note{Text: fmt.Sprintf("what is done by hand here may take %v, but nothing stays energised for more than %v: have everything ready, what is not done by then is cut off",
			quantity.SecondsOf(byHand), quantity.SecondsOf(longest))})
		byHand -= cut
	}
	return r.station.desk.Act(ctx, hands.Announced{Volts: a.Volts, Longest: longest, ByHand: byHand})
}

func (r *rig) Down() event.Bus { return r.bench().Down().Event() }

// Place moves probes that are not where they should be.
func (r *rig) Place(ctx context.Context, probes map[string]string, why string, live bool) error {
	var prompts []event.Prompt
	for _, name := range slices.Sorted(maps.Keys(probes)) {
		p, ok := r.probe(name)
		if !ok {
			return fmt.Errorf("probe %s: the bench file names no such probe", name)
		}
		point := probes[name]
		if r.at(name) == point {
			continue
		}
		text := fmt.Sprintf("Put probe %s on %s", name, words(point))
		if p.Role != bench.Scope {
			text = fmt.Sprintf("Put the %s's leads (%s) on %s", p.Role, name, words(point))
		}
		if why != "" {
			text += ": " + why
		}
		prompts = append(prompts, event.Prompt{Action: hands.Place, Probe: name, Point: point, Text: text})
	}
	if len(prompts) == 0 {
		return nil
	}
	if err := r.quiet(ctx, live); err != nil {
		return err
	}
	if _, err := r.station.desk.Handle(ctx, live, prompts...); err != nil {
		return err
	}
	r.station.mu.Lock()
	defer r.station.mu.Unlock()
	maps.Copy(r.station.places, probes)
	return nil
}

func (r *rig) at(probe string) string {
	r.station.mu.Lock()
	defer r.station.mu.Unlock()
	return r.station.places[probe]
}

// words is a test point in a sentence.
func words(point string) string {
	kind, rest, _ := strings.Cut(point, ":")
	switch kind {
	case "gate":
		return fmt.Sprintf("gate %s against its own source", rest)
	case "driver":
		return fmt.Sprintf("the driver supply of %s against its own source", rest)
	case "rail":
		return "rail " + rest
	case "phase":
		return "phase " + rest
	case "input":
		return "the drive's input " + rest
	case "control":
		return "the control supply's terminals"
	case "bus":
		return "the drive's bus terminals"
	}
	return deadWords(point)
}

// downWithin is how long a good bus of this family may take to be measured down from where the stage's trip limit is: its own
// discharge to the voltage below which jumpers are fitted, t = R·C·ln(U0/U), and the two readings a second apart.
func (r *rig) downWithin() time.Duration {
	bus := r.family.Bus
	farads := float64(bus.Capacitance)*(1+float64(bus.CapWithin)) + float64(r.OutputCapacitance(bench.Bus))
	tau := farads * float64(bus.Bleeder) * (1 + float64(bus.BleedWithin))
	from := max(r.family.LimitsFor(r.stage).BusVoltage, jumperVolts)
	return quantity.Seconds(tau*math.Log(float64(from/jumperVolts))).Duration() + 3*time.Second
}

// quiet makes the bench quiet before hands come to the drive: inhibit, bus down, control supply off unless at or below 60 V
// d.c. and isolated (P10). With live it only checks that what is on may be probed.
func (r *rig) quiet(ctx context.Context, live bool) error {
	if live {
		return r.probeable()
	}
	if on, _ := r.bench().Energised(bench.Reference); on {
		if err := r.bench().SetVoltage(ctx, bench.Reference, 0); err != nil {
			return err
		}
	}
	if err := r.inhibit(ctx); err != nil {
		return err
	}
	if r.HasRole(bench.Bus) {
		if _, err := r.bench().BringDown(ctx, r.downWithin()); err != nil {
			return err
		}
	}
	if r.HasRole(bench.Control) && !r.touchable(bench.Control) {
		if err := r.SwitchOff(ctx, bench.Control); err != nil {
			return err
		}
	}
	return r.ProveDown(ctx)
}

// inhibit takes away what lets the drive fire, where the bench has a contact for it.
func (r *rig) inhibit(ctx context.Context) error {
	var stops []drive.Permissive
	if r.family.Inhibit != nil {
		stops = append(stops, *r.family.Inhibit)
	}
	if enable, ok := r.family.Permissives["enable"]; ok {
		stops = append(stops, enable)
	}
	for _, p := range stops {
		if !r.HasContact(p.Contact) {
			continue
		}
		if err := r.Contact(ctx, p.Contact, p.Normal != "closed"); err != nil {
			return err
		}
	}
	return nil
}

// probeable refuses energised probing above 60 V d.c. or from a source that is not isolated, unless a named person has set that
// aside; then it is told before hands come in, each time.
func (r *rig) probeable() error {
	for _, role := range []string{bench.Bus, bench.Control} {
		if r.HasRole(role) && !r.touchable(role) {
			if strings.TrimSpace(r.probing) != "" {
				_, set := r.bench().Energised(role)
				r.Emit(event.Override{By: r.by, Reason: r.probing, Rule: fmt.Sprintf("no hands near the drive while %s is on at %v: only at or below %v d.c. from an isolated source", role, set, probingVolts)})
				continue
			}
			return fmt.Errorf("hands near the drive while %s is on: only at or below %v d.c. from an isolated source", role, probingVolts)
		}
	}
	return nil
}

// touchable says whether a supply is off, or low and isolated.
func (r *rig) touchable(role string) bool {
	on, set := r.bench().Energised(role)
	e := r.station.cfg.File.Earthing
	return !on || (set <= probingVolts && e.BusFeed == "isolated")
}

// Fit has a stand-in fitted, once for each unit.
func (r *rig) Fit(ctx context.Context, name string, count int, text string) error {
	if r.fitted(name) == count {
		return nil
	}
	if err := r.below(ctx, jumperVolts); err != nil {
		return err
	}
	answers, err := r.station.desk.Handle(ctx, false, event.Prompt{Action: hands.Fit, Probe: name,
		Text: fmt.Sprintf("Fit %d of %s: %s", count, strings.ReplaceAll(name, "_", " "), text)})
	if err != nil {
		return err
	}
	return r.standIn(ctx, who(answers), name, count, text)
}

func who(answers []hands.Answer) string {
	if len(answers) == 0 {
		return "unknown"
	}
	return answers[0].By
}

func (r *rig) Remove(ctx context.Context, name, text string) error {
	if r.fitted(name) == 0 {
		return nil
	}
	if err := r.below(ctx, jumperVolts); err != nil {
		return err
	}
	answers, err := r.station.desk.Handle(ctx, false, event.Prompt{Action: hands.Remove, Probe: name,
		Text: fmt.Sprintf("Take %d of %s out: %s", r.fitted(name), strings.ReplaceAll(name, "_", " "), text)})
	if err != nil {
		return err
	}
	return r.standIn(ctx, who(answers), name, 0, text)
}

func (r *rig) fitted(name string) int {
	r.station.mu.Lock()
	defer r.station.mu.Unlock()
	return r.station.fitted[r.unit][name]
}

func (r *rig) setFitted(name string, count int) {
	r.station.mu.Lock()
	defer r.station.mu.Unlock()
	if r.station.fitted[r.unit] == nil {
		r.station.fitted[r.unit] = map[string]int{}
	}
	r.station.fitted[r.unit][name] = count
}

// below makes the bench quiet and waits until the bus is below a voltage.
func (r *rig) below(ctx context.Context, limit quantity.Volts) error {
	if err := r.quiet(ctx, false); err != nil {
		return err
	}
	until := time.Now().Add(r.downWithin())
	for {
		down := r.bench().DownBelow(limit)
		if down.Down() {
			return nil
		}
		if time.Now().After(until) {
			return fmt.Errorf("the bus has to be below %v before jumpers are fitted: %s: %s %s", limit, down.State, down.Why, down.Do)
		}
		if _, err := r.bench().Next(ctx, bench.BusMeter+".voltage"); err != nil {
			return err
		}
	}
}

func (r *rig) ReadByHand(ctx context.Context, text string, low, high quantity.Value) (quantity.Value, error) {
	for {
		a, err := r.station.desk.Ask(ctx, event.Prompt{Action: hands.Read, Text: text, Unit: low.Unit.String()})
		if err != nil {
			return quantity.Value{}, err
		}
		v, err := quantity.ParseAs(a.Text, low.Unit)
		switch {
		case err != nil:
			r.Emit(event.Note{Text: err.Error()})
		case v.Number < low.Number || v.Number > high.Number:
			r.Emit(event.Note{Text: fmt.Sprintf("%v is not between %v and %v: read again", v, low, high)})
		default:
			return v, nil
		}
	}
}

// Tap leaves everything on while a place is tapped; what is on has to be low and isolated for that.
func (r *rig) Tap(ctx context.Context, place, text string, gates, offers []string) (string, error) {
	if err := r.quiet(ctx, true); err != nil {
		return "", err
	}
	for _, role := range []string{bench.Bus, bench.Control} {
		if on, set := r.bench().Energised(role); on {
			text += fmt.Sprintf(". Touch nothing: %s stays on at %v", role, set)
		}
	}
	answers, err := r.station.desk.Handle(ctx, true, event.Prompt{Action: hands.Tap, Point: place, Probe: strings.Join(gates, ","), Text: text, Offers: offers})
	if err != nil {
		return "", err
	}
	return answers[0].Text, nil
}

func (r *rig) Confirm(ctx context.Context, text, at string, offers []string) (string, error) {
	a, err := r.station.desk.Ask(ctx, event.Prompt{Action: hands.Confirm, Text: text, Point: at, Offers: offers})
	return a.Text, err
}

// ProveDown returns when the bus is measured down, or a person has proven it with a proven meter.
func (r *rig) ProveDown(ctx context.Context) error {
	down := r.bench().Down()
	if !down.Down() && down.State == event.Live {
		var err error
		if down, err = r.bench().AwaitDown(ctx, r.downWithin()); err != nil {
			return err
		}
	}
	for !down.Down() {
		a, err := r.station.desk.Ask(ctx, event.Prompt{Action: hands.Prove, Point: "bus", Unit: quantity.Volt.String(), Live: r.station.live(),
			Text: fmt.Sprintf("The bus is %s (%s). Prove it with a proven meter, live, dead, live, at the drive's bus terminals, and type the reading",
				down.State, down.Why)})
		if err != nil {
			return err
		}
		v, err := quantity.ParseAs(a.Text, quantity.Volt)
		if err == nil {
			err = r.bench().ProveDown(ctx, a.By, quantity.Volts(v.Number))
		}
		if err != nil {
			r.Emit(event.Note{Text: err.Error()})
		}
		down = r.bench().Down()
	}
	return nil
}
