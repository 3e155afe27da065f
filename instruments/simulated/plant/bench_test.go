package plant

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// heron, plover and wren are three drives that differ in kind, with the figures of the families of those names.
func heron() Params {
	p := common("heron", "A", "B", "C")
	p.Device = Device{"igbt", 4.5}
	p.Gate = Gate{HighSideSupply: "isolated", On: Band{13.5, 16.5}, Off: Band{-9.5, -6.5}, Load: 10e-9, Resistor: 5.1, Rise: 400e-9, Fall: 400e-9}
	p.Modulation = Modulation{Kind: "complementary", Frequency: 8e3, Within: 0.03, DeadTime: DeadTime{2.2e-6, 4e-6}, Jitter: 500e-9}
	p.Commutation, p.Loop = "hall_120", "open"
	p.Permissives["charge_ok"] = Permissive{Contact: "charge_ok", Normal: "closed"}
	p.StandIns = []StandIn{{Name: "gate_capacitors"}, {Name: "thermistor_resistor", Sense: "thermal"}}
	p.Control = Control{Feed: "separate", Nominal: 24, Current: 0.7, Start: 17, Stop: 15, Settle: 0.3}
	p.Rails = map[string]Rail{"logic": {5, 0.04, 0.1}, "hall": {5, 0.05, 0.15}, "low_plus": {15, 0.06, 0.4}, "low_minus": {-8, 0.1, 0.4}}
	for i := range p.Bridge.Channels {
		c := &p.Bridge.Channels[i]
		c.Rail, c.NegativeRail = "low_plus", "low_minus"
		if c.Kind == "high" {
			c.Rail, c.NegativeRail = "high_"+c.Leg+"_plus", "high_"+c.Leg+"_minus"
			p.Rails[c.Rail], p.Rails[c.NegativeRail] = Rail{15, 0.06, 0.4}, Rail{-8, 0.1, 0.4}
		}
	}
	p.Bus = Bus{Nominal: 320, Reduced: 90, Capacitance: 470e-6, CapWithin: 0.2, Bleeder: 3900, BleedWithin: 0.1, Quiescent: CurrentBand{0.020, 0.028}}
	p.Reference = Reference{FullScale: 10, Sweep: 3, Offset: 0.1}
	return p
}

func plover() Params {
	p := common("plover", "A", "B", "C")
	p.Device = Device{"mosfet", 2}
	p.Gate = Gate{HighSideSupply: "bootstrap", On: Band{10, 13.2}, Off: Band{-0.5, 0.5}, Load: 4.7e-9, Resistor: 10, Rise: 300e-9, Fall: 300e-9}
	p.Modulation = Modulation{Kind: "high_side", Frequency: 20e3, Within: 0.04, DeadTime: DeadTime{0.5e-6, 1.2e-6}, Jitter: 300e-9, HighestDuty: 0.95}
	p.Commutation, p.Loop = "hall_60", "current"
	p.StandIns = []StandIn{{Name: "switch_node_jumpers"}, {Name: "gate_capacitors"}}
	p.Control = Control{Feed: "from_bus", Start: 18, Stop: 14, Power: 6, Settle: 0.4}
	p.Rails = map[string]Rail{"logic": {3.3, 0.04, 0.08}, "hall": {5, 0.05, 0.15}, "driver": {12, 0.06, 0.3}}
	for i := range p.Bridge.Channels {
		p.Bridge.Channels[i].Rail = "driver"
	}
	p.Bus = Bus{Nominal: 72, Reduced: 40, Capacitance: 1500e-6, CapWithin: 0.2, Bleeder: 1200, BleedWithin: 0.1, Quiescent: CurrentBand{0.150, 0.220}}
	p.Reference = Reference{FullScale: 10, Sweep: 3, Offset: 0.1}
	return p
}

func wren() Params {
	p := common("wren", "A", "B")
	p.Device = Device{"mosfet", 1.5}
	p.Gate = Gate{HighSideSupply: "charge_pump", On: Band{9, 11.5}, Off: Band{-0.5, 0.5}, Load: 3.3e-9, Resistor: 15, Rise: 300e-9, Fall: 300e-9}
	p.Modulation = Modulation{Kind: "locked_antiphase", Frequency: 18e3, Within: 0.04, DeadTime: DeadTime{0.6e-6, 1.6e-6}, Jitter: 300e-9}
	p.Commutation, p.Loop = "none", "open"
	p.Patterns.Idle = "toggle"
	p.StandIns = []StandIn{{Name: "switch_node_jumpers"}, {Name: "gate_capacitors"}}
	p.Control = Control{Feed: "separate", Nominal: 24, Current: 0.35, Start: 14, Stop: 12, Settle: 0.2}
	p.Rails = map[string]Rail{"logic": {5, 0.04, 0.1}, "driver": {10, 0.06, 0.3}, "pump": {10, 0.08, 0.4}}
	for i := range p.Bridge.Channels {
		p.Bridge.Channels[i].Rail = "driver"
		if p.Bridge.Channels[i].Kind == "high" {
			p.Bridge.Channels[i].Rail = "pump"
		}
	}
	p.Bus = Bus{Nominal: 60, Reduced: 30, Capacitance: 1000e-6, CapWithin: 0.2, Bleeder: 1800, BleedWithin: 0.1, Quiescent: CurrentBand{0.014, 0.021}}
	p.Reference = Reference{FullScale: 10, Sweep: 4, Offset: 0.1}
	return p
}

func common(name string, legs ...string) Params {
	p := Params{Name: name, FaultLamp: "fault_lamp", Reset: "enable", Inhibit: &Permissive{Contact: "inhibit", Normal: "open"}}
	p.Bridge.Legs = legs
	for _, l := range legs {
		p.Bridge.Channels = append(p.Bridge.Channels, Channel{Name: l + ".high", Leg: l, Kind: "high"}, Channel{Name: l + ".low", Leg: l, Kind: "low"})
	}
	p.Permissives = map[string]Permissive{}
	for _, n := range []string{"enable", "limit_forward", "limit_reverse", "thermal"} {
		p.Permissives[n] = Permissive{Contact: n, Normal: "closed"}
	}
	return p
}

// bench is a plant on a clock that the test winds on.
type bench struct {
	*Plant
	t   *testing.T
	now time.Time
}

func newBench(t *testing.T, p Params, o Options, faults ...string) *bench {
	t.Helper()
	b := &bench{t: t, now: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)}
	o.Now = func() time.Time { return b.now }
	for _, text := range faults {
		f, err := ParseFault(text)
		require.NoError(t, err)
		o.Faults = append(o.Faults, f)
	}
	var err error
	b.Plant, err = New(p, o)
	require.NoError(t, err)
	return b
}

func (b *bench) wait(d time.Duration) { b.now = b.now.Add(d) }

// prepare fits all stand-ins, gives every permissive and a valid Hall code.
func (b *bench) prepare() {
	for _, s := range b.params.StandIns {
		require.NoError(b.t, b.Fit(s.Name))
	}
	for _, q := range b.params.Permissives {
		b.Contact(q.Contact).Set(true)
	}
	b.Hall().SetCode(0b100)
	b.Hall().SetOutput(true)
}

// power brings the control section up and waits until it runs.
func (b *bench) power() {
	if b.params.Control.Feed == "from_bus" {
		b.busTo(24, 0.5)
		b.wait(2 * time.Second)
		return
	}
	c := b.ControlSupply()
	c.SetCurrentLimit(1)
	c.SetVoltage(b.params.Control.Nominal)
	c.SetOutput(true)
	b.wait(time.Second)
}

func (b *bench) busTo(v quantity.Volts, limit quantity.Amperes) {
	s := b.BusSupply()
	s.SetCurrentLimit(limit)
	s.SetVoltage(v)
	s.SetOutput(true)
}

// ask sets the reference and waits until a loop has saturated.
func (b *bench) ask(v quantity.Volts) {
	b.Reference().SetOutput(true)
	b.Reference().SetVoltage(v)
	b.wait(100 * time.Millisecond)
}

// running is a bench with everything up and the reference at its sweep value.
func running(t *testing.T, p Params, faults ...string) *bench {
	t.Helper()
	b := newBench(t, p, Options{Seed: 7}, faults...)
	b.prepare()
	b.power()
	b.ask(p.Reference.Sweep)
	return b
}

// look captures the last d at a point.
func (b *bench) look(point string, d, step time.Duration) []float32 {
	b.t.Helper()
	out, err := b.Capture(point, b.now.Add(-d), quantity.SecondsOf(step), int(d/step), false)
	require.NoError(b.t, err)
	return out
}

func (b *bench) volts(point string) float64 {
	b.t.Helper()
	v, err := b.Point(point)
	require.NoError(b.t, err)
	return float64(v)
}

// shows names what a channel shows over the last 10 ms: on, off, chop with its part of the time above half the on level.
func (b *bench) duty(channel string) float64 {
	b.t.Helper()
	s := b.look("gate:"+channel, 10*time.Millisecond, 100*time.Nanosecond)
	on := 0
	for _, v := range s {
		if v > 5 {
			on++
		}
	}
	return float64(on) / float64(len(s))
}
