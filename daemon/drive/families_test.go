package drive

import (
	"testing"

	"github.com/stretchr/testify/require"
)

const configured = "../../configs/families"

func load(t *testing.T, name string) *Family {
	t.Helper()
	f, err := LoadNamed([]string{configured}, name)
	require.NoError(t, err)
	return f
}

func TestEveryFamilyFileLoads(t *testing.T) {
	names, err := Names([]string{configured, "no such directory"})
	require.NoError(t, err)
	require.Equal(t, []string{"heron", "plover", "unknown", "wren"}, names)
	hashes := map[string]bool{}
	for _, name := range names {
		f := load(t, name)
		require.Len(t, f.Hash(), 64)
		hashes[f.Hash()] = true
		require.NotEmpty(t, f.LimitsFor(Rails).Needs)
		require.NotEmpty(t, f.LimitsFor(Board).Needs)
		for _, leg := range f.Bridge.Legs {
			high, low := f.Leg(leg)
			require.Equal(t, []string{leg + ".high", leg + ".low"}, []string{high, low})
		}
	}
	require.Len(t, hashes, len(names), "the hash tells the families apart")
}

// Facts of the trade, common practice, no source.
func TestTheFamiliesKeepTheFactsOfTheTrade(t *testing.T) {
	heron := load(t, "heron")
	require.InDelta(t, 90, float64(heron.Bus.Reduced), 1, "a control board is first proven at a reduced bus of about 90 V DC")
	require.InDelta(t, 5, float64(heron.Gate.Resistor), 0.5, "series gate resistors of about 5 ohm")
	for _, name := range []string{"heron", "plover", "wren"} {
		f := load(t, name)
		require.LessOrEqual(t, float64(f.Bus.Regulation), 0.1, "a regulated, healthy bus stands still within about 0.1 V between two readings")
		for code := range 8 {
			if patterns, valid := f.Expected(code, Forward); !valid {
				for channel, p := range patterns {
					require.Equal(t, Off, p, "without valid Hall inputs nothing may fire: %s", channel)
				}
			}
		}
		tau := float64(f.Bus.Capacitance) * float64(f.Bus.Bleeder)
		require.LessOrEqual(t, tau, 2.0, "%s: discharge time constant of a demo family, s", name)
		d := f.Modulation.DeadTime
		khz := float64(f.Modulation.Frequency) / 1e3
		if f.Device.Kind == "igbt" {
			requireBetween(t, 1.5e-6, float64(d.Shortest), 6e-6)
			requireBetween(t, 1.5e-6, float64(d.Longest), 6e-6)
			requireBetween(t, 2, khz, 20)
			requireBetween(t, 13.5, float64(f.Gate.On.Low), 16.5)
			requireBetween(t, 13.5, float64(f.Gate.On.High), 16.5)
			requireBetween(t, -10, float64(f.Gate.Off.Low), -5)
			requireBetween(t, -10, float64(f.Gate.Off.High), -5)
		} else {
			requireBetween(t, 0.3e-6, float64(d.Shortest), 2e-6)
			requireBetween(t, 0.3e-6, float64(d.Longest), 2e-6)
			requireBetween(t, 16, khz, 50)
			requireBetween(t, 9, float64(f.Gate.On.Low), 15)
			requireBetween(t, 9, float64(f.Gate.On.High), 15)
		}
		requireBetween(t, 1e-9, float64(f.Gate.Load), 47e-9)
	}
}

func requireBetween(t *testing.T, low, v, high float64) {
	t.Helper()
	require.GreaterOrEqual(t, v, low)
	require.LessOrEqual(t, v, high)
}

// Common practice, no source: board-stage current limit 0.05 to 0.2 A with a control supply of its own, else one and a half times
// the control section's power over its lowest voltage; first power-up with devices 0.3 to 1 A.
func TestCurrentLimitsByStage(t *testing.T) {
	for _, name := range []string{"heron", "wren", "unknown"} {
		requireBetween(t, 0.05, float64(load(t, name).LimitsFor(Board).CurrentLimit), 0.2)
	}
	plover := load(t, "plover")
	require.InDelta(t, 1.5*float64(plover.Control.Power)/float64(plover.Control.Start), float64(plover.LimitsFor(Board).CurrentLimit), 0.01)
	for _, name := range []string{"heron", "plover", "wren", "unknown"} {
		requireBetween(t, 0.3, float64(load(t, name).LimitsFor(Fitted).CurrentLimit), 1)
	}
}

func TestUnknownIsTheStrictest(t *testing.T) {
	strict := load(t, "unknown")
	for _, name := range []string{"heron", "plover", "wren"} {
		f := load(t, name)
		for _, s := range []Stage{Rails, Board, Fitted, Soak} {
			a, b := strict.LimitsFor(s), f.LimitsFor(s)
			require.LessOrEqual(t, float64(a.BusVoltage), float64(b.BusVoltage), "%s %s", name, s)
			require.LessOrEqual(t, float64(a.BusCurrent), float64(b.BusCurrent), "%s %s", name, s)
			require.LessOrEqual(t, float64(a.CurrentLimit), float64(b.CurrentLimit), "%s %s", name, s)
		}
	}
	patterns, valid := strict.Expected(0b100, Forward)
	require.True(t, valid)
	require.Empty(t, patterns, "its channels are compared with each other")
}

// The control section's constant power and the bleeder give the quiescent current that the family states.
func TestQuiescentBandsFollowFromBleederAndPower(t *testing.T) {
	for _, name := range []string{"heron", "plover", "wren"} {
		f := load(t, name)
		draws := float64(f.Bus.Reduced)/float64(f.Bus.Bleeder) + float64(f.Control.Power)/float64(f.Bus.Reduced)
		requireBetween(t, float64(f.Bus.Quiescent.Low), draws, float64(f.Bus.Quiescent.High))
	}
}
