package plant

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestGoodUnitsStayWithinTheInnerPartOfTheirTolerances(t *testing.T) {
	const units = 40
	for _, p := range []Params{heron(), plover(), wren()} {
		t.Run(p.Name, func(t *testing.T) {
			periods, capacitances := map[float64]bool{}, map[float64]bool{}
			for seed := range uint64(units) {
				b := newBench(t, p, Options{Seed: seed, Spread: true})
				b.prepare()
				b.power()
				b.ask(p.Reference.Sweep)
				periods[b.unit.period], capacitances[b.busC] = true, true

				inner := func(got, nominal, within float64, what string) {
					require.InEpsilon(t, nominal, got, 0.8*within+1e-9, "seed %d: %s", seed, what)
				}
				inner(1/b.unit.period, float64(p.Modulation.Frequency), float64(p.Modulation.Within)*1.02, "frequency")
				inner(b.busC, float64(p.Bus.Capacitance), float64(p.Bus.CapWithin), "capacitance")
				for name, r := range p.Rails {
					inner(b.unit.rails[name], float64(r.Nominal), float64(r.Within), name)
				}
				for _, c := range p.Bridge.Channels {
					low, high := b.levels(c.Name)
					require.Greater(t, low, float64(p.Gate.Off.Low))
					require.Less(t, high, float64(p.Gate.On.High))
					if b.duty(c.Name) > 0.05 {
						require.Greater(t, high, float64(p.Gate.On.Low), "seed %d: %s", seed, c.Name)
					}
				}
				require.Less(t, b.transition("A.high", true), float64(p.Gate.Rise))
				require.Less(t, b.transition("A.high", false), float64(p.Gate.Fall))
				checkPauses(t, b)
			}
			require.Len(t, periods, units, "every unit is one of its own")
			require.Len(t, capacitances, units)
		})
	}
}

// checkPauses sees the dead time where the drive shows it.
func checkPauses(t *testing.T, b *bench) {
	t.Helper()
	d := b.params.Modulation.DeadTime
	var down, up []float64
	if b.params.Modulation.Kind == highSide {
		b.Reference().SetVoltage(-b.params.Reference.Sweep)
		b.wait(8 * time.Millisecond)
		down, _ = b.pauses("A", 8*time.Millisecond)
	} else {
		down, up = b.pauses("A", time.Millisecond)
	}
	require.NotEmpty(t, down)
	for _, pause := range append(down, up...) {
		require.Greater(t, pause, float64(d.Shortest))
		require.Less(t, pause, float64(d.Longest))
	}
}

func TestGoodUnitsHaveCurrentLimitsAndSensorsOfTheirOwn(t *testing.T) {
	p := heron()
	p.Fitted = FittedStage{Load: 1.5, CurrentLimit: 2, LimitWithin: 0.1, FullScale: 10, GainWithin: 0.1, SensorGain: 1, SensorOffset: 0.05, SensorWithin: 0.05}
	limits := map[float64]bool{}
	for seed := range uint64(40) {
		b := newBench(t, p, Options{Seed: seed, Spread: true, Fitted: true})
		limits[b.unit.currentLimit] = true
		require.InEpsilon(t, 2, b.unit.currentLimit, 0.08)
		require.InEpsilon(t, 10, b.unit.fullScaleCurrent, 0.08)
		for leg, s := range b.unit.sensors {
			require.InDelta(t, 1, s.gain, 0.04, leg)
			require.InDelta(t, 0, s.offset, 0.04, leg)
		}
		require.Len(t, b.unit.sensors, 3)
	}
	require.Len(t, limits, 40, "every unit is one of its own")
}

func TestQuiescentCurrentOfGoodUnitsIsInItsBand(t *testing.T) {
	for _, p := range []Params{heron(), plover(), wren()} {
		for seed := range uint64(40) {
			b := newBench(t, p, Options{Seed: seed, Spread: true})
			b.prepare()
			if p.Control.Feed == "separate" {
				b.power()
			}
			a := float64(b.busAt(4 * time.Second).Current)
			require.Greater(t, a, float64(p.Bus.Quiescent.Low), "%s seed %d", p.Name, seed)
			require.Less(t, a, float64(p.Bus.Quiescent.High), "%s seed %d", p.Name, seed)
		}
	}
}
