package plant

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// effects say, for each kind of fault, what is physically to be seen where.
var effects = map[string]func(t *testing.T){
	"rail_low": func(t *testing.T) {
		for _, c := range []struct {
			p       Params
			rail    string
			channel string
		}{{heron(), "low_plus", "A.low"}, {plover(), "driver", "A.high"}, {wren(), "pump", "A.high"}} {
			b := running(t, c.p, "rail_low:"+c.rail)
			require.InEpsilon(t, 0.85*float64(c.p.Rails[c.rail].Nominal), b.volts("rail:"+c.rail), 0.01)
			_, high := b.levels(c.channel)
			require.Less(t, high, float64(c.p.Gate.On.Low), "its gates are low too")
			require.Greater(t, high, 5., "but they go on")
		}
		b := running(t, heron(), "rail_low:low_plus=0.6")
		_, high := b.levels("A.low")
		require.Less(t, high, 0.1, "below their lock-out drivers hold off")
	},
	"rail_missing": func(t *testing.T) {
		b := running(t, heron(), "rail_missing:high_A_plus")
		require.InDelta(t, 0, b.volts("driver:A.high"), 0.01)
		require.Zero(t, b.duty("A.high"))
		require.Greater(t, b.duty("A.low"), 0.5)
		b = running(t, plover(), "rail_missing:logic")
		require.Zero(t, b.duty("A.high"), "without its logic a drive fires nothing")
	},
	"rail_noisy": func(t *testing.T) {
		b := running(t, plover(), "rail_noisy:driver=2 V")
		require.InDelta(t, 2, b.swing("rail:driver"), 0.2)
		require.InDelta(t, 12, b.volts("rail:driver"), 0.05, "a meter does not see it")
		require.Less(t, b.swing("rail:logic"), 0.08)
	},
	"rail_ripple_cold": func(t *testing.T) {
		b := running(t, heron(), "rail_ripple_cold:logic")
		require.Greater(t, b.swing("rail:logic"), 0.3)
		b.wait(5 * time.Minute)
		require.Less(t, b.swing("rail:logic"), 0.1, "gone when warm")
	},
	"channel_dead": func(t *testing.T) {
		b := running(t, heron(), "channel_dead:A.high")
		low, high := b.levels("A.high")
		require.InDelta(t, 0, low, 0.01, "not even the negative off level")
		require.InDelta(t, 0, high, 0.01)
		require.InDelta(t, 15, b.volts("driver:A.high"), 0.1, "its rail is there: the driver is at fault")
	},
	"stuck_on": func(t *testing.T) {
		for _, p := range []Params{heron(), plover(), wren()} {
			b := running(t, p, "stuck_on:B.low")
			b.Contact("inhibit").Set(true)
			b.wait(20 * time.Millisecond)
			require.Equal(t, 1., b.duty("B.low"), "inhibit or not")
			require.Zero(t, b.duty("A.high"))
		}
	},
	"stuck_off": func(t *testing.T) {
		b := running(t, heron(), "stuck_off:A.high")
		low, high := b.levels("A.high")
		require.InDelta(t, -8, low, 0.01)
		require.InDelta(t, -8, high, 0.01)
	},
	"low_drive_level": func(t *testing.T) {
		b := running(t, plover(), "low_drive_level:A.high")
		_, high := b.levels("A.high")
		require.InDelta(t, 0.7*11.4, high, 0.05)
		require.InDelta(t, 11.4, b.volts("driver:A.high"), 0.05)
	},
	"no_negative_bias": func(t *testing.T) {
		b := running(t, heron(), "no_negative_bias:A.high")
		low, high := b.levels("A.high")
		require.InDelta(t, 0, low, 0.01)
		require.InDelta(t, 15, high, 0.01)
	},
	"weak_driver": func(t *testing.T) {
		for _, p := range []Params{heron(), plover(), wren()} {
			b := running(t, p, "weak_driver:A.high")
			require.InEpsilon(t, math.Log(9)*(80+float64(p.Gate.Resistor))*float64(p.Gate.Load), b.transition("A.high", true), 0.05)
			require.Greater(t, b.transition("A.high", true), float64(p.Gate.Rise))
			require.Greater(t, b.transition("A.high", false), float64(p.Gate.Fall))
		}
	},
	"slow_rise": func(t *testing.T) {
		b := running(t, wren(), "slow_rise:A.high=900 ns")
		require.InEpsilon(t, 900e-9, b.transition("A.high", true), 0.05)
		require.Less(t, b.transition("A.high", false), 300e-9)
	},
	"slow_fall": func(t *testing.T) {
		b := running(t, wren(), "slow_fall:A.high=900 ns")
		require.InEpsilon(t, 900e-9, b.transition("A.high", false), 0.05)
		require.Less(t, b.transition("A.high", true), 300e-9)
	},
	"late_pulses": func(t *testing.T) {
		b := running(t, heron(), "late_pulses:A.high=1 us")
		down, up := b.pauses("A", 2*time.Millisecond)
		require.NotEmpty(t, down)
		for i := range min(len(down), len(up)) {
			require.InDelta(t, 3.1e-6-1e-6, down[i], 50e-9, "the pause after it is shorter")
			require.InDelta(t, 3.1e-6+1e-6, up[i], 50e-9, "the one before it longer")
		}
		require.InDelta(t, b.unit.period*0.3-b.unit.deadTime, b.widths("A.high")[3], 0.1e-6, "pulses are as long as ever")
	},
	"narrow_pulses": func(t *testing.T) {
		b := running(t, wren(), "narrow_pulses:A.high=2 us")
		require.InDelta(t, b.widths("B.low")[3]-2e-6, b.widths("A.high")[3], 0.1e-6, "against its diagonal sibling")
	},
	"ringing": func(t *testing.T) {
		b := running(t, plover(), "ringing:A.high=0.3")
		fine := b.look("gate:A.high", time.Millisecond, 5*time.Nanosecond)
		require.InDelta(t, 11.4*1.3, float64(max32(fine)), 1.2)
		require.InDelta(t, -11.4*0.3, float64(min32(fine)), 1.2)
		good := running(t, plover()).look("gate:A.high", time.Millisecond, 5*time.Nanosecond)
		require.Less(t, float64(max32(good)), 11.5)
	},
	"channels_swapped": func(t *testing.T) {
		b := running(t, plover(), "channels_swapped:A.high,B.high")
		require.Zero(t, b.duty("A.high"))
		require.Greater(t, b.duty("B.high"), 0.9, "right levels on the wrong leg")
	},
	"dead_time_missing": func(t *testing.T) {
		b := running(t, heron(), "dead_time_missing")
		down, up := b.pauses("A", 2*time.Millisecond)
		for _, pause := range append(down, up...) {
			require.InDelta(t, 0, pause, 60e-9)
		}
		require.NotEmpty(t, down)
	},
	"dead_time_short": func(t *testing.T) {
		b := running(t, wren(), "dead_time_short:B=0.3 us")
		down, _ := b.pauses("B", 2*time.Millisecond)
		require.NotEmpty(t, down)
		require.InDelta(t, 0.3e-6-0.108e-6, down[0], 30e-9, "at the threshold, where falling takes longer than rising")
		down, _ = b.pauses("A", 2*time.Millisecond)
		require.InDelta(t, 1.1e-6, down[0], 30e-9, "the other leg is right")
	},
	"dead_time_long": func(t *testing.T) {
		b := running(t, heron(), "dead_time_long")
		down, up := b.pauses("A", 2*time.Millisecond)
		for _, pause := range append(down, up...) {
			require.Greater(t, pause, float64(heron().Modulation.DeadTime.Longest))
		}
		require.NotEmpty(t, down)
	},
	"overlap_one_edge": func(t *testing.T) {
		b := running(t, heron(), "overlap_one_edge:A")
		down, up := b.pauses("A", 2*time.Millisecond)
		require.NotEmpty(t, down)
		require.NotEmpty(t, up)
		for _, pause := range down {
			require.Less(t, pause, -0.3e-6, "both gates on where the high side turns off")
		}
		for _, pause := range up {
			require.Greater(t, pause, 2.2e-6, "the other edge is right")
		}
		r := running(t, plover(), "overlap_one_edge")
		r.Reference().SetVoltage(-3)
		r.wait(8 * time.Millisecond)
		pauses, _ := r.pauses("A", 8*time.Millisecond)
		require.NotEmpty(t, pauses)
		require.Less(t, pauses[0], -0.3e-6, "seen at the reversal only")
	},
	"pulses_missing": func(t *testing.T) {
		b := running(t, wren(), "pulses_missing:A.high=40")
		b.wait(2 * time.Second)
		s := b.look("gate:A.high", 2*time.Second, 2*time.Microsecond)
		r, _ := instants(s, 2e-6, 5)
		expected := 2 / b.unit.period
		missing := expected - float64(len(r))
		require.InEpsilon(t, expected/40, missing, 0.15)
		s = b.look("gate:A.low", 2*time.Second, 2*time.Microsecond)
		r, _ = instants(s, 2e-6, 5)
		require.InDelta(t, expected, float64(len(r)), 2, "its neighbour misses none")
	},
	"jitter": func(t *testing.T) {
		b := running(t, heron(), "jitter=3 us")
		s := b.look("gate:A.high", 20*time.Millisecond, 20*time.Nanosecond)
		r, _ := instants(s, 20e-9, 5)
		shortest, longest := 1.0, 0.0
		for i := 1; i < len(r); i++ {
			shortest, longest = min(shortest, r[i]-r[i-1]), max(longest, r[i]-r[i-1])
		}
		require.Greater(t, longest-shortest, 2.5e-6)
		require.Less(t, longest-shortest, 6.1e-6)
		requireNeverTogether(t, b, "A", 20*time.Millisecond)
	},
	"twitch_power_up": func(t *testing.T) {
		for _, p := range []Params{heron(), plover(), wren()} {
			b := inhibitedPowerCycle(t, p, "twitch_power_up:B.low")
			require.InDelta(t, 500e-6, b.longestPulse("B.low"), 20e-6)
			require.Zero(t, b.longestPulse("A.low"))
		}
	},
	"twitch_brown_out": func(t *testing.T) {
		for _, p := range []Params{heron(), plover(), wren()} {
			b := inhibitedPowerCycle(t, p, "twitch_brown_out:A.high=1 ms")
			require.InDelta(t, 1e-3, b.longestPulse("A.high"), 20e-6)
			require.Zero(t, b.longestPulse("A.low"))
		}
	},
	"bootstrap_diode_open": func(t *testing.T) {
		b := running(t, plover(), "bootstrap_diode_open:A.high")
		_, high := b.levels("A.high")
		require.InDelta(t, 0, high, 0.01)
		require.InDelta(t, 0, b.volts("driver:A.high"), 0.01, "the driver has no supply: the channel is not dead")
		require.InDelta(t, 12, b.volts("rail:driver"), 0.1)
	},
	"bootstrap_capacitor": func(t *testing.T) {
		b := running(t, plover(), "bootstrap_capacitor:A.high")
		s := b.look("gate:A.high", time.Millisecond, 20*time.Nanosecond)
		require.InDelta(t, 11.4, float64(max32(s)), 0.3, "full at the begin of a pulse")
		last := 0.0
		for i := 1; i < len(s); i++ {
			if s[i] < 3 && s[i-1] >= 3 { // falling edge: what was there a microsecond ago?
				last = float64(s[i-50])
			}
		}
		require.InDelta(t, 11.4*0.55, last, 0.5, "sagged at its end")
	},
	"undervoltage_lockout_dead": func(t *testing.T) {
		b := running(t, heron(), "undervoltage_lockout_dead")
		b.ControlSupply().SetVoltage(11)
		b.wait(time.Second)
		require.InDelta(t, 15*11/14.55, b.volts("rail:low_plus"), 0.3, "the rails sag with the supply")
		require.Greater(t, b.duty("A.high"), 0.1, "and the gates go on chopping")
		good := running(t, heron())
		good.ControlSupply().SetVoltage(11)
		good.wait(time.Second)
		require.InDelta(t, 0, good.volts("rail:low_plus"), 0.01)
	},
	"sense_always_reports": func(t *testing.T) {
		b := running(t, heron(), "sense_always_reports")
		require.Zero(t, b.duty("A.high"))
		require.True(t, b.Input("fault_lamp"))
	},
	"sense_never_reports": func(t *testing.T) {
		b := running(t, heron(), "sense_never_reports:thermal")
		require.NoError(t, b.Remove("thermistor_resistor"))
		b.wait(20 * time.Millisecond)
		require.Greater(t, b.duty("A.high"), 0.2, "nobody notices the missing thermistor")
		good := running(t, heron())
		require.NoError(t, good.Remove("thermistor_resistor"))
		good.wait(20 * time.Millisecond)
		require.Zero(t, good.duty("A.high"))
		require.True(t, good.Input("fault_lamp"))
	},
	"permissive_stuck_given": func(t *testing.T) {
		for name := range heron().Permissives {
			b := running(t, heron(), "permissive_stuck_given:"+name)
			b.Contact(name).Set(false)
			b.wait(20 * time.Millisecond)
			require.Greater(t, b.duty("A.high"), 0.2, name)
			good := running(t, heron())
			good.Contact(name).Set(false)
			good.wait(20 * time.Millisecond)
			require.Zero(t, good.duty("A.high"), name)
		}
	},
	"permissive_stuck_away": func(t *testing.T) {
		b := running(t, wren(), "permissive_stuck_away:limit_forward")
		for _, c := range b.params.Bridge.Channels {
			require.Zero(t, b.duty(c.Name))
		}
	},
	"inhibit_dead": func(t *testing.T) {
		b := running(t, plover(), "inhibit_dead")
		b.Contact("inhibit").Set(true)
		b.wait(20 * time.Millisecond)
		require.Greater(t, b.duty("A.high"), 0.9)
	},
	"fault_lamp_dead": func(t *testing.T) {
		b := running(t, heron(), "fault_lamp_dead")
		b.Hall().SetCode(0b111)
		b.wait(20 * time.Millisecond)
		require.Zero(t, b.duty("A.high"), "the fault is there")
		require.False(t, b.Input("fault_lamp"))
	},
	"fault_lamp_stuck": func(t *testing.T) {
		b := running(t, wren(), "fault_lamp_stuck")
		require.True(t, b.Input("fault_lamp"))
		require.Greater(t, b.duty("A.high"), 0.2)
		b.ControlSupply().SetOutput(false)
		b.wait(time.Second)
		require.False(t, b.Input("fault_lamp"), "no lamp without supply")
	},
	"hall_open": func(t *testing.T) {
		b := running(t, heron(), "hall_open:2")
		require.Equal(t, 0b100, b.Hall().Lines(), "the connector shows what is driven")
		require.Equal(t, "-HL", b.states(0b100), "the drive sees 110")
	},
	"hall_short": func(t *testing.T) {
		b := running(t, heron(), "hall_short:1")
		b.Hall().SetCode(0b110)
		require.Equal(t, 0b010, b.Hall().Lines())
		b.wait(60 * time.Millisecond)
		b.Contact("enable").Set(false)
		b.Contact("enable").Set(true)
		require.Equal(t, "LH-", b.states(0b110))
	},
	"hall_swapped": func(t *testing.T) {
		b := running(t, heron(), "hall_swapped:1,2")
		require.Equal(t, "LH-", b.states(0b100), "the drive sees 010")
		require.Equal(t, "-HL", b.states(0b110), "110 stays")
	},
	"hall_supply_short": func(t *testing.T) {
		b := running(t, heron(), "hall_supply_short")
		require.InDelta(t, 0, b.volts("rail:hall"), 0.01)
		require.Zero(t, b.Hall().Lines())
		require.True(t, b.Input("fault_lamp"), "000 is invalid at 120 degrees")
		b = running(t, plover(), "hall_supply_short")
		require.False(t, b.Input("fault_lamp"), "and valid at 60 degrees")
		require.Equal(t, "HL-", b.states(0b111), "but every code looks like 000")
	},
	"invalid_hall_not_inhibited": func(t *testing.T) {
		b := running(t, plover(), "invalid_hall_not_inhibited")
		require.Equal(t, "L-H", b.states(0b011))
		b.Hall().SetCode(0b010)
		require.Equal(t, "L-H", b.states(0b010))
		require.False(t, b.Input("fault_lamp"))
	},
	"reference_offset": func(t *testing.T) {
		for _, p := range []Params{heron(), plover(), wren()} {
			b := running(t, p, "reference_offset")
			b.ask(0)
			require.NotEqual(t, quietDuty(p), b.duty("A.high"), "%s: fires at zero reference", p.Name)
		}
	},
	"reference_gain": func(t *testing.T) {
		b := running(t, heron(), "reference_gain=0.5")
		require.InDelta(t, 0.15-b.unit.deadTime*8e3, b.duty("A.high"), 0.003)
		b = running(t, plover(), "reference_gain=0.5")
		require.Greater(t, b.duty("A.high"), 0.9, "a loop that saturates hides it")
	},
	"reference_dead_zone": func(t *testing.T) {
		b := running(t, wren(), "reference_dead_zone=2 V")
		require.InDelta(t, 0.6-b.unit.deadTime*18e3, b.duty("A.high"), 0.003)
		b.ask(1.5)
		require.InDelta(t, quietDuty(wren())-b.unit.deadTime*18e3, b.duty("A.high"), 0.003)
	},
	"reference_polarity_missing": func(t *testing.T) {
		b := running(t, heron(), "reference_polarity_missing:negative")
		require.Greater(t, b.duty("A.high"), 0.2)
		b.ask(-3)
		for _, c := range b.params.Bridge.Channels {
			require.Zero(t, b.duty(c.Name))
		}
	},
	"quiescent_high": func(t *testing.T) {
		b := newBench(t, heron(), Options{}, "quiescent_high=30 mA")
		require.InDelta(t, 0.024+0.030, float64(b.busAt(3*time.Second).Current), 0.002)
	},
	"bus_short": func(t *testing.T) {
		b := newBench(t, heron(), Options{}, "bus_short")
		r := b.busAt(3 * time.Second)
		require.Equal(t, CC, r.Mode)
		require.InDelta(t, 0.15, float64(r.Current), 0.002)
		require.Less(t, float64(b.BusTerminals()), 0.1)
	},
	"capacitance_low": func(t *testing.T) {
		slope := func(faults ...string) float64 {
			b := newBench(t, heron(), Options{}, faults...)
			b.busAt(20 * time.Millisecond)
			u := float64(b.BusTerminals())
			b.wait(20 * time.Millisecond)
			return (float64(b.BusTerminals()) - u) / 0.02
		}
		require.InEpsilon(t, (470.+100)/(0.5*470+100), slope("capacitance_low=0.5")/slope(), 0.02)
	},
	"series_resistance_high": func(t *testing.T) {
		jump := func(faults ...string) float64 { // what the bus falls at once when the charging current stops
			b := newBench(t, heron(), Options{Contactor: true}, faults...)
			b.Contact("bus_contactor").Set(true)
			b.busAt(200 * time.Millisecond)
			before := float64(b.BusTerminals())
			b.Contact("bus_contactor").Set(false)
			b.wait(time.Millisecond)
			return before - float64(b.BusTerminals())
		}
		require.InDelta(t, 15*0.15*470/570, jump("series_resistance_high=15 ohm")-jump(), 0.15)
	},
	"bleeder_open": func(t *testing.T) {
		b := newBench(t, heron(), Options{}, "bleeder_open")
		require.Less(t, float64(b.busAt(3*time.Second).Current), 0.003)
		b.BusSupply().SetOutput(false)
		b.wait(10 * time.Second)
		require.Greater(t, float64(b.BusTerminals()), 60., "the bus does not go down")
	},
	"bus_fuse_open": func(t *testing.T) {
		b := newBench(t, heron(), Options{}, "bus_fuse_open")
		r := b.busAt(time.Second)
		require.InDelta(t, 90, float64(r.Voltage), 0.2)
		require.Zero(t, b.BusTerminals())
	},
	"chopper_shorted": func(t *testing.T) {
		b := newBench(t, heron(), Options{}, "chopper_shorted=47 ohm")
		require.Equal(t, CC, b.busAt(3*time.Second).Mode)
		require.InDelta(t, 47*0.15, float64(b.BusTerminals()), 0.2)
	},
	"soft_charge_open": func(t *testing.T) {
		b := newBench(t, withSoftCharge(), Options{}, "soft_charge_open")
		b.busAt(2 * time.Second)
		require.Zero(t, b.BusTerminals())
	},
	"relay_welded": func(t *testing.T) {
		early := func(faults ...string) float64 {
			b := newBench(t, withSoftCharge(), Options{}, faults...)
			b.busTo(90, 2)
			b.wait(80 * time.Millisecond)
			return float64(b.BusTerminals())
		}
		require.Greater(t, early("relay_welded"), 80., "nothing limits the charging current")
		require.Less(t, early(), 60.)
	},
	"relay_not_pulling": func(t *testing.T) {
		running := func(faults ...string) *bench {
			b := newBench(t, withSoftCharge(), Options{}, faults...)
			b.prepare()
			b.power()
			return b
		}
		b := running("relay_not_pulling")
		r := b.busAt(4 * time.Second)
		require.InDelta(t, 220*0.024, float64(r.Voltage)-float64(b.BusTerminals()), 0.5, "the resistor stays in the way")
		good := running()
		r = good.busAt(4 * time.Second)
		require.InDelta(t, float64(r.Voltage), float64(good.BusTerminals()), 0.1)
		dead := newBench(t, withSoftCharge(), Options{})
		r = dead.busAt(4 * time.Second)
		require.InDelta(t, 220*0.024, float64(r.Voltage)-float64(dead.BusTerminals()), 0.5, "without its control section the relay does not close")
	},
	"stand_in_left": func(t *testing.T) {
		b := newBench(t, plover(), Options{Fitted: true, StandIns: []string{"switch_node_jumpers"}}, "stand_in_left:switch_node_jumpers")
		require.NoError(t, b.Remove("switch_node_jumpers"))
		require.Equal(t, []string{"switch_node_jumpers"}, b.StandIns())
		b.prepare()
		b.power()
		b.ask(3)
		require.InDelta(t, 0, b.volts("phase:A"), 0.1, "the jumper holds the phase down")
	},
}
