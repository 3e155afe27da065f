package plant

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// levels are the lowest and highest voltage of a gate over the last 10 ms.
func (b *bench) levels(channel string) (low, high float64) {
	b.t.Helper()
	s := b.look("gate:"+channel, 10*time.Millisecond, 100*time.Nanosecond)
	return float64(min32(s)), float64(max32(s))
}

// swing is peak to peak at a point over the last 5 ms.
func (b *bench) swing(point string) float64 {
	b.t.Helper()
	s := b.look(point, 5*time.Millisecond, 50*time.Nanosecond)
	return float64(max32(s) - min32(s))
}

// widths are the lengths of a channel's pulses at half level over the last 20 ms.
func (b *bench) widths(channel string) (out []float64) {
	b.t.Helper()
	s := b.look("gate:"+channel, 20*time.Millisecond, 20*time.Nanosecond)
	level := float64(max32(s)+min32(s)) / 2
	r, f := instants(s, 20e-9, level)
	for _, a := range r {
		if i := slices.IndexFunc(f, func(t float64) bool { return t > a }); i >= 0 {
			out = append(out, f[i]-a)
		}
	}
	return out
}

// longestPulse is the longest time a channel was above the device's threshold since the start, 0 when never.
func (b *bench) longestPulse(channel string) float64 {
	b.t.Helper()
	const step = 5 * time.Microsecond
	n := int(min(b.now.Sub(b.start), History) / step)
	s, err := b.Capture("gate:"+channel, b.now.Add(-time.Duration(n)*step), quantity.SecondsOf(step), n, false)
	require.NoError(b.t, err)
	r, f := instants(s, step.Seconds(), float64(b.params.Device.MinimumThreshold))
	longest := 0.0
	for i := range min(len(r), len(f)) {
		longest = max(longest, f[i]-r[i])
	}
	return longest
}

// busAt charges the bus to its reduced voltage and gives the reading after the time.
func (b *bench) busAt(after time.Duration) Reading {
	limit := quantity.Amperes(0.15)
	if b.params.Control.Feed == "from_bus" {
		limit = 0.5
	}
	b.busTo(b.params.Bus.Reduced, limit)
	b.wait(after)
	return b.BusSupply().Read()
}

// withSoftCharge is a heron with a soft-charge resistor.
func withSoftCharge() Params {
	p := heron()
	p.Bus.SoftCharge = 220
	return p
}

// inhibitedPowerCycle brings control up and down with inhibit applied.
func inhibitedPowerCycle(t *testing.T, p Params, fault string) *bench {
	b := newBench(t, p, Options{}, fault)
	b.prepare()
	b.Contact("inhibit").Set(true)
	b.power()
	if p.Control.Feed == "from_bus" {
		b.BusSupply().SetOutput(false)
		b.wait(5 * time.Second)
	} else {
		b.ControlSupply().SetOutput(false)
		b.wait(time.Second)
	}
	return b
}

// quietDuty is what a channel shows at zero reference.
func quietDuty(p Params) float64 {
	if p.Patterns.Idle == "toggle" {
		return 0.5
	}
	return 0
}

func TestEveryFaultIsSeenWhereItShould(t *testing.T) {
	for _, k := range Faults() {
		effect, has := effects[k.Name]
		require.True(t, has, "no test of %s", k.Name)
		t.Run(k.Name, effect)
	}
	require.Len(t, effects, len(Faults()))
}

func TestConditionsOfFaults(t *testing.T) {
	t.Run("only above a bus voltage", func(t *testing.T) {
		b := running(t, heron(), "stuck_on:B.low@bus=40 V")
		require.Zero(t, b.duty("B.low"))
		b.busAt(3 * time.Second)
		require.Equal(t, 1., b.duty("B.low"))
	})
	t.Run("only when warm", func(t *testing.T) {
		b := running(t, heron(), "channel_dead:A.high@warm=60 s")
		require.Greater(t, b.duty("A.high"), 0.2)
		b.wait(time.Minute)
		require.Zero(t, b.duty("A.high"))
	})
	t.Run("only when tapped", func(t *testing.T) {
		b := running(t, heron(), "stuck_off:A.high@tapped")
		require.Greater(t, b.duty("A.high"), 0.2)
		require.NoError(t, b.Tap(""))
		b.wait(500 * time.Millisecond)
		require.Zero(t, b.duty("A.high"))
		b.wait(3 * time.Second)
		require.Greater(t, b.duty("A.high"), 0.2, "gone again")
		for place, felt := range map[string]bool{"driver:A.high": true, "driver:A.low": false, "rail:logic": false, ControlConnector: false} {
			require.NoError(t, b.Tap(place))
			b.wait(500 * time.Millisecond)
			require.Equal(t, felt, b.duty("A.high") == 0, "tapped at %s", place)
			b.wait(3 * time.Second)
		}
		require.ErrorContains(t, b.Tap("roof"), "hall connector")
	})
}

func TestFaultsCombine(t *testing.T) {
	b := running(t, heron(), "stuck_on:B.low", "capacitance_low", "rail_low:hall")
	require.Equal(t, 1., b.duty("B.low"))
	require.InDelta(t, 4.25, b.volts("rail:hall"), 0.05)
	require.InEpsilon(t, 0.55*470e-6, b.bus.net.c, 0.01)
}
