package plant

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

func TestInvalidHallCodeLatchesAFaultUntilEnableIsWithdrawn(t *testing.T) {
	for _, tt := range []struct {
		p       Params
		invalid []int
	}{{heron(), []int{0b000, 0b111}}, {plover(), []int{0b010, 0b101}}} {
		for _, code := range tt.invalid {
			t.Run(fmt.Sprintf("%s %03b", tt.p.Name, code), func(t *testing.T) {
				b := running(t, tt.p)
				require.False(t, b.Input("fault_lamp"))
				require.Equal(t, "---", b.states(code))
				require.True(t, b.Input("fault_lamp"))
				require.Equal(t, "---", b.states(0b100), "a valid code does not clear it")
				b.Contact("enable").Set(false)
				b.wait(10 * time.Millisecond)
				require.False(t, b.Input("fault_lamp"))
				b.Contact("enable").Set(true)
				require.Equal(t, "H-L", b.states(0b100))
			})
		}
	}
}

func TestFaultThatOnlyPowerResets(t *testing.T) {
	p := heron()
	p.Reset = "power"
	b := running(t, p)
	require.Equal(t, "---", b.states(0b111))
	b.Hall().SetCode(0b100)
	b.Contact("enable").Set(false)
	b.Contact("enable").Set(true)
	require.Equal(t, "---", b.states(0b100))
	b.ControlSupply().SetOutput(false)
	b.wait(2 * time.Second)
	b.ControlSupply().SetOutput(true)
	b.wait(time.Second)
	require.Equal(t, "H-L", b.states(0b100))
}

func TestOpenHallSetReadsOnes(t *testing.T) {
	b := running(t, heron())
	b.Hall().SetOutput(false)
	b.wait(10 * time.Millisecond)
	require.Equal(t, 0b111, b.Hall().Lines())
	require.True(t, b.Input("fault_lamp"), "invalid at 120 degrees")
	b = running(t, plover())
	b.Hall().SetOutput(false)
	b.wait(100 * time.Millisecond)
	require.Equal(t, 0b111, b.Hall().Lines())
	require.False(t, b.Input("fault_lamp"), "valid at 60 degrees")
	require.Greater(t, b.duty("B.high"), 0.9)
}

func TestHallLines(t *testing.T) {
	b := running(t, heron())
	h := b.Hall()
	h.SetCode(0b010)
	require.Equal(t, 0b010, h.Lines())
	h.SetLine(1, Open)
	require.Equal(t, 0b110, h.Lines())
	h.SetLine(2, Short)
	require.Equal(t, 0b100, h.Lines())
	h.SetLine(1, Driven)
	h.SetLine(2, Driven)
	require.Equal(t, 0b010, h.Lines())
	b.ControlSupply().SetOutput(false)
	b.wait(time.Second)
	require.Equal(t, 0b010, h.Lines(), "driven lines show their bits without the drive")
	h.SetLine(1, Open)
	require.Equal(t, 0b010, h.Lines(), "nobody pulls an open line up then")
}

func TestHallRunTurnsAtItsFrequency(t *testing.T) {
	for _, tt := range []struct {
		spacing int
		reverse bool
		turn    [6]int
	}{{120, false, turn120}, {120, true, turn120}, {60, false, turn60}} {
		b := newBench(t, wren(), Options{})
		h := b.Hall()
		h.SetOutput(true)
		h.SetCode(tt.turn[0])
		h.Spacing(tt.spacing)
		// Source: microcontroller motor-kit user guide AVR1607, 2.4: Hall frequency is pole pairs times shaft frequency; 4 pole
		// pairs at 3000 rpm give 200 Hz and steps of 0.83333 ms (computed).
		h.Run(200, tt.reverse)
		b.wait(416 * time.Microsecond)
		for i := range 12 {
			want := tt.turn[i%6]
			if tt.reverse {
				want = tt.turn[(12-i)%6]
			}
			require.Equal(t, want, h.Lines(), "step %d", i)
			b.wait(833333 * time.Nanosecond)
		}
		h.Run(0, false)
		held := h.Lines()
		b.wait(time.Second)
		require.Equal(t, held, h.Lines())
	}
}

func TestPermissivesAndInhibitStopTheGates(t *testing.T) {
	for _, p := range []Params{heron(), plover(), wren()} {
		for name := range p.Permissives {
			t.Run(p.Name+" "+name, func(t *testing.T) {
				b := running(t, p)
				b.Contact(name).Set(false)
				b.wait(20 * time.Millisecond)
				for _, c := range p.Bridge.Channels {
					require.Zero(t, b.duty(c.Name), c.Name)
				}
				b.Contact(name).Set(true)
				b.wait(100 * time.Millisecond)
				require.Greater(t, b.duty("A.high"), 0.2)
			})
		}
	}
	t.Run("an end switch stops its direction", func(t *testing.T) {
		p := heron()
		p.Permissives["limit_forward"] = Permissive{Contact: "limit_forward", Normal: "closed", Stops: "forward"}
		b := running(t, p)
		b.Contact("limit_forward").Set(false)
		b.wait(20 * time.Millisecond)
		require.Equal(t, "---", b.states(0b100))
		b.ask(-3)
		require.Equal(t, "L-H", b.states(0b100))
	})
	t.Run("a latching permissive needs a reset", func(t *testing.T) {
		p := heron()
		p.Permissives["thermal"] = Permissive{Contact: "thermal", Normal: "closed", Latches: true}
		b := running(t, p)
		b.Contact("thermal").Set(false)
		b.Contact("thermal").Set(true)
		require.Equal(t, "---", b.states(0b100))
		require.True(t, b.Input("fault_lamp"))
		b.Contact("enable").Set(false)
		b.Contact("enable").Set(true)
		require.Equal(t, "H-L", b.states(0b100))
	})
}

func TestQuietPatterns(t *testing.T) {
	t.Run("zero reference toggles at half the period where the family does so", func(t *testing.T) {
		b := running(t, wren())
		b.ask(0)
		for _, c := range b.params.Bridge.Channels {
			require.InDelta(t, 0.5-b.unit.deadTime*18e3, b.duty(c.Name), 0.003, c.Name)
		}
	})
	t.Run("all low sides on when inhibited, and while bootstraps charge", func(t *testing.T) {
		p := plover()
		p.Patterns.Inhibited, p.Patterns.StartUp = "low_on", "low_on"
		b := newBench(t, p, Options{})
		b.prepare()
		b.Contact("inhibit").Set(true)
		b.busTo(24, 0.5)
		b.wait(2 * time.Second)
		for _, c := range p.Bridge.Channels {
			want := 0.
			if c.Kind == "low" {
				want = 1
			}
			require.Equal(t, want, b.duty(c.Name), c.Name)
		}
	})
	t.Run("off is the negative level where there is one", func(t *testing.T) {
		b := running(t, heron())
		b.ask(0)
		low, high := b.levels("A.high")
		require.InDelta(t, -8, low, 0.01)
		require.InDelta(t, -8, high, 0.01)
	})
}

func TestLoopWithoutFeedbackSaturatesSlowly(t *testing.T) {
	b := running(t, plover())
	b.ask(0)
	b.Reference().SetVoltage(0.5)
	b.wait(8 * time.Millisecond)
	early := b.widths("A.high")
	require.NotEmpty(t, early)
	require.Less(t, early[0], 0.5*b.unit.period)
	b.wait(100 * time.Millisecond)
	require.InDelta(t, 0.95*b.unit.period-b.unit.deadTime, b.widths("A.high")[2], 0.1e-6, "a small reference gives the largest duty: duty proves nothing")
}

func TestOpenLoopDutyFollowsTheReference(t *testing.T) {
	b := running(t, heron())
	for _, v := range []float64{1, 3, 5, 8} {
		b.ask(quantity.Volts(v))
		require.InDelta(t, v/10-b.unit.deadTime*8e3, b.duty("A.high"), 0.003)
	}
}

func TestControlSupplyCurrentAndRails(t *testing.T) {
	b := newBench(t, heron(), Options{})
	c := b.ControlSupply()
	c.SetCurrentLimit(1)
	c.SetVoltage(12)
	c.SetOutput(true)
	b.wait(time.Second)
	require.Less(t, float64(c.Read().Current), 0.01, "too little to start")
	require.Zero(t, b.volts("rail:logic"))
	c.SetVoltage(24)
	b.wait(time.Second)
	require.InDelta(t, 0.42, float64(c.Read().Current), 0.05)
	for name, r := range heron().Rails {
		require.InDelta(t, float64(r.Nominal), b.volts("rail:"+name), 0.01)
	}
	require.Less(t, b.swing("rail:logic"), 0.1, "the ripple of a good rail")
	c.SetOutput(false)
	b.wait(time.Second)
	require.Zero(t, b.volts("rail:logic"))
}

func TestPhaseFollowsTheGatesWithDevicesFitted(t *testing.T) {
	b := newBench(t, heron(), Options{Fitted: true})
	b.prepare()
	b.power()
	b.ask(3)
	b.busAt(3 * time.Second)
	require.InDelta(t, 90*0.3, b.volts("phase:A"), 4)
	require.InDelta(t, 0, b.volts("phase:C"), 0.1)
	require.True(t, b.Fitted())
}

func TestLeadsAndProbes(t *testing.T) {
	b := newBench(t, heron(), Options{})
	require.NoError(t, b.Place("P1", "gate:A.high"))
	require.Equal(t, "gate:A.high", b.PointOf("P1"))
	require.Empty(t, b.PointOf("P2"))
	require.ErrorContains(t, b.Place("P1", "gate:A.hihg"), "there are gate:A.high")
	require.ErrorContains(t, b.Fit("jumpers"), "there are gate_capacitors")
	require.Contains(t, b.Points(), "rail:low_minus")

	b.busAt(3 * time.Second)
	b.LeadOff("bus_meter", true)
	require.Zero(t, b.BusTerminals(), "the meter sees nothing although the bus is charged")
	require.InDelta(t, 90, float64(b.BusSupply().Read().Voltage), 0.2)
	b.LeadOff("bus_meter", false)
	b.LeadOff("bus", true)
	b.wait(2 * time.Second)
	require.InDelta(t, 90, float64(b.BusSupply().Read().Voltage), 0.2)
	require.Less(t, float64(b.BusTerminals()), 35., "discharged through the bleeder")
}

func TestOutputRelayReadsZeroWhileTheBusIsCharged(t *testing.T) {
	spec := DefaultBusSupply(320)
	spec.OutputRelay = true
	b := newBench(t, heron(), Options{Bus: spec})
	b.busAt(3 * time.Second)
	b.BusSupply().SetOutput(false)
	b.wait(10 * time.Millisecond)
	require.InDelta(t, 0, float64(b.BusSupply().Read().Voltage), 0.1)
	require.Greater(t, float64(b.BusTerminals()), 85.)
}

func TestInputsOfTheBench(t *testing.T) {
	b := newBench(t, wren(), Options{})
	require.True(t, b.Input("interlock"))
	require.False(t, b.Input("pedal"))
	b.SetInput("pedal", true)
	b.SetInput("interlock", false)
	require.True(t, b.Input("pedal"))
	require.False(t, b.Input("interlock"))
	b.Contact("beacon").Set(true)
	require.True(t, b.Contact("beacon").Closed())
}

func TestParametersThatMakeNoDriveAreRefused(t *testing.T) {
	p := heron()
	p.Bridge.Channels[0].Rail = "nowhere"
	p.Commutation = "hall_90"
	p.Bus.Capacitance = 0
	_, err := New(p, Options{})
	require.ErrorContains(t, err, `rail "nowhere"`)
	require.ErrorContains(t, err, `"hall_90"`)
	require.ErrorContains(t, err, "capacitance")
	_, err = New(heron(), Options{StandIns: []string{"shoe"}})
	require.ErrorContains(t, err, `no stand-in "shoe"`)
}

// A family without data still makes a drive.
func TestUnknownKindsHaveADefault(t *testing.T) {
	p := heron()
	p.Gate.HighSideSupply, p.Modulation.Kind, p.Loop, p.Gate.Load = "unknown", "unknown", "unknown", 0
	p.StandIns = []StandIn{{Name: "switch_node_jumpers"}}
	b := running(t, p)
	require.Equal(t, "H-L", b.states(0b100))
}

func TestPortsMayBeUsedFromManyGoroutines(t *testing.T) {
	p, err := New(wren(), Options{Seed: 1})
	require.NoError(t, err)
	var all sync.WaitGroup
	for _, act := range []func(){
		func() { p.BusSupply().Read() },
		func() { p.BusSupply().SetVoltage(20); p.BusSupply().SetOutput(true) },
		func() { p.Contact("enable").Set(true) },
		func() { _, _ = p.Capture("gate:A.high", time.Now().Add(-time.Millisecond), 1e-6, 1000, true) },
		func() { _, _, _ = p.FindTrigger("control", 5, Either, time.Now().Add(-time.Second), time.Now()) },
		func() { p.Hall().Lines(); p.Input("fault_lamp"); p.BusTerminals() },
		func() { _ = p.Place("P1", "bus"); p.PointOf("P1"); p.StandIns() },
		func() { p.Reference().SetVoltage(3); p.Reference().Read() },
	} {
		all.Go(func() {
			for range 50 {
				act()
			}
		})
	}
	all.Wait()
}
