package drive

import (
	"fmt"
	"maps"
	"slices"

	"benchwarden/instruments/datafile"
	"benchwarden/instruments/quantity"
)

// faults are what is wrong with the meaning of a file whose form is right, all at once.
func (f *Family) faults(doc *datafile.Document) datafile.Faults {
	j := &judge{doc: doc}
	j.words(f)
	j.bridge(f)
	j.gate(f)
	j.modulation(f)
	j.conditions(f)
	j.supplies(f)
	j.bus(f)
	j.cold(f)
	for _, s := range slices.Sorted(maps.Keys(f.Stages)) {
		j.stage(f, s)
	}
	return j.faults
}

// judge collects faults.
type judge struct {
	doc    *datafile.Document
	faults datafile.Faults
}

func (j *judge) fault(key, format string, args ...any) {
	j.faults = append(j.faults, j.doc.Fault(key, format, args...))
}

func (j *judge) word(key, word string, known ...string) {
	if !slices.Contains(known, word) {
		j.fault(key, "%s", notOneOf(word, known))
	}
}

func (j *judge) optional(key, word string, known ...string) {
	if word != "" {
		j.word(key, word, known...)
	}
}

// positive refuses zero, negative and NaN.
func (j *judge) positive(key string, value float64, shown fmt.Stringer) {
	if !(value > 0) {
		j.fault(key, "has to be above zero, not %v", shown)
	}
}

// notNegative refuses negative and NaN; zero means "none".
func (j *judge) notNegative(key string, value float64, shown fmt.Stringer) {
	if !(value >= 0) {
		j.fault(key, "has to be zero or more, not %v", shown)
	}
}

func (j *judge) words(f *Family) {
	switch f.Commutation.Kind {
	case "encoder", "resolver", "sin_cos":
		j.fault("commutation.kind", "a drive that learns the rotor's place from %s feedback cannot be tested yet: only Hall signals can be simulated; "+
			"if the drive also takes Hall signals, give %s or %s", f.Commutation.Kind, Hall120, Hall60)
	default:
		j.word("commutation.kind", f.Commutation.Kind, Hall120, Hall60, NoSensor)
	}
	j.word("modulation.kind", f.Modulation.Kind, Complementary, HighChopped, Antiphase, UnknownWord)
	j.word("modulation.dead_time.seen", f.Modulation.DeadTime.Seen, "chopping", "reversal", UnknownWord)
	j.word("device.kind", f.Device.Kind, "igbt", "mosfet", UnknownWord)
	j.word("gate.high_side_supply", f.Gate.HighSideSupply, "isolated", "bootstrap", "charge_pump", "pulse_transformer", UnknownWord)
	j.word("loop", f.Loop, "open", "current", "velocity", UnknownWord)
	j.word("sweep_bus", f.SweepBus, SweepBusNone, SweepBusMinimum)
	j.word("control_supply.feed", f.Control.Feed, Separate, FromBus)
	j.word("patterns.idle", f.Patterns.Idle, "off", "toggle", "low_on")
	j.word("patterns.inhibited", f.Patterns.Inhibited, "off", "low_on")
	j.optional("patterns.invalid", f.Patterns.Invalid, "off", "low_on")
	j.optional("patterns.start_up", f.Patterns.StartUp, "off", "low_on")
	j.decision(f.Decision)
	j.optional("reset", f.Reset, "enable", "power")
}

func (j *judge) bridge(f *Family) {
	seen := map[string]string{}
	for i, c := range f.Bridge.Channels {
		key := fmt.Sprintf("bridge.channels[%d]", i)
		j.word(key+".kind", c.Kind, HighSide, LowSide, BrakeChopper, ChargeSwitch)
		side := c.Kind == HighSide || c.Kind == LowSide
		switch {
		case side && !slices.Contains(f.Bridge.Legs, c.Leg):
			j.fault(key+".leg", "the bridge has no leg %q; its legs are %v", c.Leg, f.Bridge.Legs)
		case !side && c.Leg != "":
			j.fault(key+".leg", "a %s channel belongs to no leg", c.Kind)
		}
		place := c.Name
		if seen[place] != "" {
			j.fault(key+".name", "%q stands twice", c.Name)
		}
		seen[place] = "name"
		if side {
			place = c.Leg + " " + c.Kind
			if seen[place] != "" {
				j.fault(key, "leg %s has two %s side channels; devices in parallel go into devices_per_position", c.Leg, c.Kind)
			}
			seen[place] = "side"
		}
		j.rail(f, key+".rail", c.Rail)
		if c.NegativeRail != "" {
			j.rail(f, key+".negative_rail", c.NegativeRail)
		}
	}
	for i, leg := range f.Bridge.Legs {
		if slices.Contains(f.Bridge.Legs[:i], leg) {
			j.fault("bridge.legs", "leg %q stands twice", leg)
		}
		if high, low := f.Leg(leg); high == "" || low == "" {
			j.fault("bridge.legs", "leg %s needs a high and a low side channel", leg)
		}
	}
	if f.UsesHall() && len(f.Bridge.Legs) != 3 {
		j.fault("bridge.legs", "Hall commutation needs three legs, not %d", len(f.Bridge.Legs))
	}
	if f.Modulation.Kind == Antiphase && len(f.Bridge.Legs) != 2 {
		j.fault("bridge.legs", "locked anti-phase needs two legs, not %d", len(f.Bridge.Legs))
	}
	if f.Commutation.Kind == NoSensor && known(f.Modulation.Kind, Complementary, HighChopped) {
		j.fault("modulation.kind", "without Hall signals only %s is known for now", Antiphase)
	}
	if f.UsesHall() && f.Modulation.Kind == Antiphase {
		j.fault("modulation.kind", "%s goes with commutation kind none", Antiphase)
	}
	if f.Bridge.Parallel < 0 {
		j.fault("bridge.devices_per_position", "has to be 1 or more, not %d", f.Bridge.Parallel)
	}
}

func (j *judge) rail(f *Family, key, name string) {
	if _, ok := f.Rails[name]; !ok {
		j.fault(key, "%s", "no such rail: "+notOneOf(name, slices.Sorted(maps.Keys(f.Rails))))
	}
}

func (j *judge) gate(f *Family) {
	g := f.Gate
	j.positive("device.minimum_threshold", float64(f.Device.MinimumThreshold), f.Device.MinimumThreshold)
	j.band("gate.on", g.On)
	j.band("gate.off", g.Off)
	if !(f.Device.MinimumThreshold < g.On.Low) {
		j.fault("gate.on", "its low end %v has to lie above the device's minimum threshold %v", g.On.Low, f.Device.MinimumThreshold)
	}
	if !(g.Off.High < f.Device.MinimumThreshold) {
		j.fault("gate.off", "its high end %v has to lie below the device's minimum threshold %v", g.Off.High, f.Device.MinimumThreshold)
	}
	if f.Device.Kind == "igbt" && g.On.High > 18 || g.On.High > 20 {
		j.fault("gate.on", "%v is more than a gate bears (IGBT 18 V, MOSFET 20 V)", g.On.High)
	}
	j.notNegative("gate.gate_load", float64(g.Load), g.Load)
	j.notNegative("gate.twitch_within", float64(g.Twitch), g.Twitch)
	if g.Load > 0 {
		j.positive("gate.rise_within", float64(g.Rise), g.Rise)
		j.positive("gate.fall_within", float64(g.Fall), g.Fall)
	}
	j.share("gate.overshoot_within", g.Overshoot)
	j.share("gate.pulse_width.within", g.Width.Within)
}

func (j *judge) band(key string, b Band) {
	if !(b.Low < b.High) {
		j.fault(key, "low %v has to be below high %v", b.Low, b.High)
	}
}

// share is a part of a whole: 0 to 100 %.
func (j *judge) share(key string, r quantity.Ratio) {
	if !(r >= 0 && r <= 1) {
		j.fault(key, "has to lie between 0 and 100 %%, not %v", r)
	}
}

func (j *judge) modulation(f *Family) {
	m := f.Modulation
	j.positive("modulation.frequency", float64(m.Frequency), m.Frequency)
	j.share("modulation.frequency_within", m.Within)
	j.share("modulation.highest_duty", m.HighestDuty)
	j.notNegative("modulation.jitter_within", float64(m.Jitter), m.Jitter)
	if m.Missing != (Missing{}) {
		if m.Missing.OneIn < 2 {
			j.fault("modulation.missing.one_in", "has to be 2 or more: one pulse in how many is missing, not %d", m.Missing.OneIn)
		}
		if c := m.Missing.Confidence; !(c > 0 && c < 1) {
			j.fault("modulation.missing.confidence", "has to lie between 0 %% and 100 %%, not %v: no number of pulses proves it wholly", c)
		}
	}
	j.positive("modulation.dead_time.shortest", float64(m.DeadTime.Shortest), m.DeadTime.Shortest)
	if !(m.DeadTime.Shortest < m.DeadTime.Longest) {
		j.fault("modulation.dead_time", "shortest %v has to be below longest %v", m.DeadTime.Shortest, m.DeadTime.Longest)
	}
	if m.Kind == HighChopped && m.DeadTime.Seen == "chopping" {
		j.fault("modulation.dead_time.seen", "with only the high side chopped the two gates of a leg never alternate while a Hall state is held: give reversal")
	}
	if m.Frequency > 0 && float64(m.DeadTime.Longest) >= 0.25/float64(m.Frequency) {
		j.fault("modulation.dead_time.longest", "%v is more than a quarter of the chopping period", m.DeadTime.Longest)
	}
	r := f.Reference
	j.positive("reference.full_scale", float64(r.FullScale), r.FullScale)
	if !(r.Sweep > 0 && r.Sweep <= r.FullScale) {
		j.fault("reference.sweep", "has to lie between 0 and the full scale %v, not %v", r.FullScale, r.Sweep)
	}
	j.share("reference.duty_at_sweep", r.Duty)
	j.share("reference.duty_within", r.DutyWithin)
	j.share("control_supply.thresholds_within", f.Control.ThresholdsWithin)
	j.share("bus.lockout_within", f.Bus.LockoutWithin)
	if h := f.Bus.LockoutHigh; h != 0 && !(h > f.Bus.Nominal) {
		j.fault("bus.lockout_high", "%v has to be above the nominal bus %v", h, f.Bus.Nominal)
	}
	j.soak(f.Soak)
	j.share("reference.gain_within", r.GainWithin)
	j.share("reference.linearity_within", r.LinearityWithin)
	j.notNegative("reference.dead_zone_within", float64(r.DeadZoneWithin), r.DeadZoneWithin)
	j.notNegative("reference.hysteresis_within", float64(r.HysteresisWithin), r.HysteresisWithin)
	if r.Duty > 0 && f.Loop != "open" {
		j.fault("reference.duty_at_sweep", "proves nothing with a %s loop: without devices there is no feedback and the loop saturates; leave it out", f.Loop)
	}
	if r.Duty > 0 && !(r.DutyWithin > 0) {
		j.fault("reference.duty_within", "is needed beside duty_at_sweep")
	}
}

func (j *judge) conditions(f *Family) {
	for _, name := range slices.Sorted(maps.Keys(f.Permissives)) {
		j.permissive("permissives."+name, f.Permissives[name])
	}
	if f.Inhibit != nil {
		j.permissive("inhibit", *f.Inhibit)
	}
	for i, s := range f.StandIns {
		key := fmt.Sprintf("stand_ins[%d]", i)
		if s.Count < 1 {
			j.fault(key+".count", "has to be 1 or more, not %d", s.Count)
		}
		if _, ok := f.Permissives[s.Sense]; s.Sense != "" && !ok {
			j.fault(key+".sense", "%s", "no such permissive: "+notOneOf(s.Sense, slices.Sorted(maps.Keys(f.Permissives))))
		}
		if slices.ContainsFunc(f.StandIns[:i], func(o StandIn) bool { return o.Name == s.Name }) {
			j.fault(key+".name", "%q stands twice", s.Name)
		}
	}
}

func (j *judge) permissive(key string, p Permissive) {
	j.optional(key+".normal", p.Normal, "closed", "open")
	j.optional(key+".stops", p.Stops, "both", "forward", "reverse")
	j.notNegative(key+".within", float64(p.Within), p.Within)
	if p.Contact != "" && p.Normal == "" {
		j.fault(key+".normal", "is needed beside contact: closed or open while the drive may run")
	}
}

func (j *judge) supplies(f *Family) {
	c := f.Control
	j.positive("control_supply.settle", float64(c.Settle), c.Settle)
	if !(c.Stop <= c.Start) {
		j.fault("control_supply.stop", "%v has to be at or below start %v", c.Stop, c.Start)
	}
	switch c.Feed {
	case Separate:
		j.positive("control_supply.nominal", float64(c.Nominal), c.Nominal)
		j.positive("control_supply.current", float64(c.Current), c.Current)
		if c.Start > c.Nominal {
			j.fault("control_supply.start", "%v is above the nominal %v", c.Start, c.Nominal)
		}
	case FromBus:
		j.positive("control_supply.start", float64(c.Start), c.Start)
		j.positive("control_supply.power", float64(c.Power), c.Power)
		if f.SweepBus != SweepBusMinimum {
			j.fault("sweep_bus", "has to be %s: the control section is fed from the bus", SweepBusMinimum)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(f.Rails)) {
		r, key := f.Rails[name], "rails."+name
		if r.Nominal == 0 {
			j.fault(key+".nominal", "a rail of 0 V is none")
		}
		if !(r.Within > 0 && r.Within < 1) {
			j.fault(key+".within", "has to lie between 0 and 100 %%, not %v", r.Within)
		}
		j.notNegative(key+".ripple_within", float64(r.Ripple), r.Ripple)
	}
}

func (j *judge) bus(f *Family) {
	b := f.Bus
	j.positive("bus.capacitance", float64(b.Capacitance), b.Capacitance)
	j.positive("bus.bleeder", float64(b.Bleeder), b.Bleeder)
	j.positive("bus.step", float64(b.Step), b.Step)
	j.positive("bus.settle", float64(b.Settle), b.Settle)
	j.share("bus.capacitance_within", b.CapWithin)
	j.share("bus.bleeder_within", b.BleedWithin)
	j.notNegative("bus.soft_charge", float64(b.SoftCharge), b.SoftCharge)
	j.notNegative("bus.ripple_within", float64(b.Ripple), b.Ripple)
	j.notNegative("bus.steady_within", float64(b.Regulation), b.Regulation)
	if !(b.Reduced > 0 && b.Reduced <= b.Nominal) {
		j.fault("bus.reduced", "%v has to lie above zero and not above the nominal %v", b.Reduced, b.Nominal)
	}
	if !(b.Quiescent.Low < b.Quiescent.High) {
		j.fault("bus.quiescent", "low %v has to be below high %v", b.Quiescent.Low, b.Quiescent.High)
	}
	if f.Control.Feed == FromBus && !(b.Minimum >= f.Control.Start && b.Minimum <= b.Reduced) {
		j.fault("bus.minimum", "%v has to lie between the control section's start %v and the reduced bus %v", b.Minimum, f.Control.Start, b.Reduced)
	}
}
