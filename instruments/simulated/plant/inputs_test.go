package plant

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func init() {
	effects["permissive_slow"] = func(t *testing.T) {
		b := running(t, heron(), "permissive_slow:limit_forward=30 ms")
		b.Contact("limit_forward").Set(false)
		b.wait(25 * time.Millisecond)
		require.InDelta(t, 0.3, b.duty("A.high"), 0.05, "still firing")
		b.wait(20 * time.Millisecond)
		require.Zero(t, b.duty("A.high"))
	}
	effects["inhibit_slow"] = func(t *testing.T) {
		b := running(t, wren(), "inhibit_slow=30 ms")
		b.Contact("inhibit").Set(true)
		b.wait(25 * time.Millisecond)
		require.Greater(t, b.duty("A.high"), 0.5)
		b.wait(20 * time.Millisecond)
		require.Zero(t, b.duty("A.high"))
	}
	effects["fault_not_latched"] = func(t *testing.T) {
		b := running(t, heron(), "fault_not_latched")
		require.Equal(t, "---", b.states(0b111))
		require.Equal(t, "H-L", b.states(0b100), "it goes on by itself")
	}
	effects["overvoltage_lockout_dead"] = func(t *testing.T) {
		for fault, lit := range map[string]bool{"": true, "overvoltage_lockout_dead": false} {
			p := wren()
			p.Bus.LockoutHigh, p.Bus.LockoutWithin = 66, 0.05
			var faults []string
			if fault != "" {
				faults = append(faults, fault)
			}
			b := running(t, p, faults...)
			b.busTo(60, 1)
			b.wait(3 * time.Second)
			require.False(t, b.Input("fault_lamp"), "quiet at its nominal bus")
			b.busTo(72, 1)
			b.wait(3 * time.Second)
			require.Equal(t, lit, b.Input("fault_lamp"), fault)
		}
	}
}

func TestAnInputIsSeenAtItsTerminalAndActsInTheDrivesOwnTime(t *testing.T) {
	p := heron()
	q := p.Permissives["limit_forward"]
	q.Within = 20e-3
	p.Permissives["limit_forward"] = q
	b := running(t, p)
	require.InDelta(t, 24, b.volts("input:limit_forward"), 1e-6)
	b.Contact("limit_forward").Set(false)
	b.wait(5 * time.Millisecond)
	require.InDelta(t, 0.3, b.duty("A.high"), 0.05, "a good unit takes half of its time")
	b.wait(30 * time.Millisecond)
	require.Zero(t, b.duty("A.high"))
	require.InDelta(t, 0, b.volts("input:limit_forward"), 1e-6)
}

func init() {
	warmed := func(t *testing.T, faults ...string) (early, late float64) {
		p := heron()
		p.Thermal = Thermal{Rise: 14, TimeConstant: 60, Fan: true}
		b := running(t, p, faults...)
		b.busTo(320, 1)
		b.wait(10 * time.Second)
		from := float64(b.Temperature())
		b.wait(6 * time.Second)
		early = float64(b.Temperature()) - from
		b.wait(10 * time.Minute)
		return early, float64(b.Temperature()) - ambient
	}
	effects["temperature_rising"] = func(t *testing.T) {
		good, goodEnd := warmed(t)
		early, end := warmed(t, "temperature_rising")
		require.InDelta(t, 14, goodEnd, 0.5)
		require.InEpsilon(t, 2.5*good, early, 0.05, "from the begin")
		require.InEpsilon(t, 2.5*goodEnd, end, 0.02)
	}
	effects["fan_dead"] = func(t *testing.T) {
		good, goodEnd := warmed(t)
		early, end := warmed(t, "fan_dead")
		require.Less(t, early, 1.3*good, "the same heat goes in")
		require.Greater(t, end, 2*goodEnd, "and does not get out")
	}
}
