package waveform

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

func TestPublishedDischargeExample(t *testing.T) {
	// Source: worked example of a published "Capacitor discharge calculator, design tool 4": 195 µF, 1500 V to 320 V, 50 Ω:
	// t 0.015062769 s, τ 0.00975 s, P0 45000 W, E 219.375 J.
	require.InDelta(t, 0.015062769, float64(DischargeTime(50, 195e-6, 1500, 320)), 5e-10)
	require.InDelta(t, 219.375, float64(StoredEnergy(195e-6, 1500)), 1e-9)
	r, p := Bleeder(195e-6, 1500, 320, 0.015062769)
	require.InEpsilon(t, 50, float64(r), 1e-7)
	require.InEpsilon(t, 45000, float64(p), 1e-7)
}

func TestPublishedDischargeResistorExample(t *testing.T) {
	// Source: worked example of a published discharge-resistor calculator page: 10 µF from 10 V to 0.1 V in 100 ms needs
	// 2.17 kΩ, 46 mW.
	r, p := Bleeder(10e-6, 10, 0.1, 0.1)
	require.InDelta(t, 2170, float64(r), 5)
	require.InDelta(t, 0.046, float64(p), 5e-4)
}

func TestComputedBusCases(t *testing.T) {
	// Source: computed from t = R·C·ln(U0/U) and E = ½·C·U².
	tests := []struct {
		c, r, from, to, time, energy float64
	}{
		{470e-6, 100e3, 325, 60, 79.4056, 24.8219},
		{1000e-6, 47e3, 400, 60, 89.1646, 80},
		{1000e-6, 47e3, 170, 60, 48.9483, 14.45},
		{1000e-6, 47e3, 340, 50, 90.0954, 57.8},
	}
	for _, test := range tests {
		require.InDelta(t, test.time, float64(DischargeTime(quantity.Ohms(test.r), quantity.Farads(test.c), volts(test.from), volts(test.to))), 5e-5)
		require.InDelta(t, test.energy, float64(StoredEnergy(quantity.Farads(test.c), volts(test.from))), 5e-5)
	}
	r, p := Bleeder(1000e-6, 400, 60, 5)
	require.InDelta(t, 2635.57, float64(r), 0.005)
	require.InDelta(t, 60.71, float64(p), 0.005)
	require.InDelta(t, 0.1, float64(RampCurrent(1000e-6, 100)), 1e-12)
	require.True(t, math.IsInf(float64(DischargeTime(1, 1, 10, 0)), 1))
	require.Zero(t, DischargeTime(1, 1, 10, 20))
}

// charge integrates a bus that is charged by a supply in small steps and reads it every interval.
type charge struct {
	bus, supply    float64 // F
	limit, target  float64
	series         float64 // ohm between supply and bus
	bleeder        float64 // ohm, 0 for none
	startsAt       float64 // V from which on a load draws power
	power          float64 // W
	short          float64 // ohm across the bus
	start          float64
	interval, last float64
	noiseV, noiseI float64
	seed           uint64
}

func (c charge) read() []RampPoint {
	random := rand.New(rand.NewPCG(c.seed, 3))
	const dt = 20e-6
	v, own := c.start, c.start // bus and the supply's own capacitor
	running := false
	var points []RampPoint
	next := 0.0
	for k := 0; float64(k)*dt <= c.last; k++ {
		now := float64(k) * dt
		load := 0.0
		if c.bleeder > 0 {
			load += v / c.bleeder
		}
		if c.short > 0 {
			load += v / c.short
		}
		if c.startsAt > 0 {
			running = v > c.startsAt || running && v > c.startsAt*0.8
			if running {
				load += c.power / v
			}
		}
		given := c.limit
		if c.series == 0 {
			total := c.bus + c.supply
			if wanted := load + (c.target-v)*total/1e-3; wanted < given {
				given = wanted
			}
			v = max(0, v+(given-load)*dt/total)
		} else {
			into := (own - v) / c.series
			if wanted := into + (c.target-own)*c.supply/1e-3; wanted < given {
				given = wanted
			}
			own += (given - into) * dt / c.supply
			v += (into - load) * dt / c.bus
		}
		if now >= next {
			points = append(points, RampPoint{T: seconds(now), V: volts(v + c.noiseV*random.NormFloat64()), I: quantity.Amperes(given + c.noiseI*random.NormFloat64())})
			next += c.interval
		}
	}
	return points
}

func TestConstantCurrentRampGivesTheCapacitance(t *testing.T) {
	// Source: 0.5 A takes 1000 µF from 0 to 320 V in 0.64 s (C = I·dt/dU, computed).
	points := charge{bus: 1000e-6, limit: 0.5, target: 320, interval: 0.03, last: 0.9}.read()
	r := FitRamp(points, RampOptions{Limit: 0.5, Target: 320})
	require.Equal(t, ConstantCurrentRamp, r.Shape, r.Reason)
	require.InEpsilon(t, 1000e-6, r.Capacitance.Value, 0.002)
	require.InEpsilon(t, 500, r.Slope.Value, 0.002)
	require.Contains(t, r.Reason, "straight rise")
}

func TestTheSuppliesOwnCapacitorIsTakenOff(t *testing.T) {
	points := charge{bus: 470e-6, supply: 100e-6, limit: 0.2, target: 90, interval: 0.02, last: 0.5}.read()
	with := FitRamp(points, RampOptions{Limit: 0.2, Target: 90, SupplyCapacitance: 100e-6})
	require.InEpsilon(t, 470e-6, with.Capacitance.Value, 0.005)
	without := FitRamp(points, RampOptions{Limit: 0.2, Target: 90})
	require.InEpsilon(t, 570e-6, without.Capacitance.Value, 0.005)
}

func TestTheBleedersChargeIsTakenOff(t *testing.T) {
	points := charge{bus: 1000e-6, bleeder: 1800, limit: 0.1, target: 60, interval: 0.02, last: 0.9}.read()
	r := FitRamp(points, RampOptions{Limit: 0.1, Target: 60, Bleeder: 1800})
	require.InEpsilon(t, 1000e-6, r.Capacitance.Value, 0.01)
}

func TestSoftChargeIsAnExponential(t *testing.T) {
	points := charge{bus: 470e-6, supply: 20e-6, limit: 5, target: 90, series: 220, interval: 0.01, last: 0.8}.read()
	r := FitRamp(points, RampOptions{Limit: 5, Target: 90})
	require.Equal(t, SoftChargeRamp, r.Shape, r.Reason)
	require.InEpsilon(t, 470e-6, r.Capacitance.Value, 0.02)
	require.InEpsilon(t, 220, r.SoftCharge.Value, 0.03)
	require.False(t, r.Slope.Known())
}

func TestShortStaysDownAtTheLimit(t *testing.T) {
	points := charge{bus: 470e-6, limit: 0.2, target: 90, short: 2, interval: 0.05, last: 1}.read()
	r := FitRamp(points, RampOptions{Limit: 0.2, Target: 90})
	require.Equal(t, ShortRamp, r.Shape, r.Reason)
	holdsOrNear(t, 2, r.Holding, 0.05)
	require.False(t, r.Capacitance.Known())

	points = charge{bus: 470e-6, limit: 0.2, target: 90, short: 150, interval: 0.2, last: 4}.read()
	r = FitRamp(points[3:], RampOptions{Limit: 0.2, Target: 90})
	require.Equal(t, ShortRamp, r.Shape, r.Reason)
	holdsOrNear(t, 150, r.Holding, 5)
	require.Contains(t, r.Reason, "stuck bleeder")
}

func holdsOrNear(t *testing.T, truth float64, m Measure, near float64) {
	t.Helper()
	require.True(t, m.Known(), m.Undecided)
	require.InDelta(t, truth, m.Value, near)
}

func TestOpenBusCapacitorIsThereAtOnce(t *testing.T) {
	points := charge{bus: 1e-6, supply: 10e-6, limit: 0.2, target: 90, interval: 0.05, last: 1}.read()
	r := FitRamp(points, RampOptions{Limit: 0.2, Target: 90, SupplyCapacitance: 10e-6})
	require.Equal(t, NoCapacitanceRamp, r.Shape, r.Reason)
	require.Contains(t, r.Reason, "open bus capacitor")
	require.GreaterOrEqual(t, r.Capacitance.AtMost, 1e-6)
	require.Less(t, r.Capacitance.AtMost, 150e-6)
}

func TestAStartingControlSectionIsTold(t *testing.T) {
	points := charge{bus: 1500e-6, limit: 0.5, target: 40, startsAt: 18, power: 6, interval: 0.005, last: 0.6}.read()
	r := FitRamp(points, RampOptions{Limit: 0.5, Target: 40, VoltageError: 0.02})
	require.Equal(t, LoadStartingRamp, r.Shape, r.Reason)
	require.InDelta(t, 18, r.LoadStart.Value, 2)
	require.InEpsilon(t, 6, r.LoadPower.Value, 0.25)
	require.InEpsilon(t, 1500e-6, r.Capacitance.Value, 0.02)
	require.Contains(t, r.Reason, "control section")
}

func TestRampsThatCannotBeRead(t *testing.T) {
	good := charge{bus: 1000e-6, limit: 0.5, target: 320, interval: 0.03, last: 0.9}.read()
	notANumber := append([]RampPoint{}, good...)
	notANumber[7].V = volts(math.NaN())
	backwards := append([]RampPoint{}, good...)
	backwards[7].T = backwards[6].T
	flat := charge{bus: 1000e-6, limit: 0.5, target: 20, start: 20, interval: 0.03, last: 0.9}.read()
	for reason, points := range map[string][]RampPoint{
		"at least 5": good[:4], "no finite number": notANumber, "not later": backwards, "changed by": flat,
	} {
		r := FitRamp(points, RampOptions{Limit: 0.5})
		require.Equal(t, UnclearRamp, r.Shape)
		require.Contains(t, r.Reason, reason)
		require.False(t, r.Capacitance.Known())
	}
}

func TestQuiescentCurrent(t *testing.T) {
	var points []RampPoint
	for i := range 10 {
		points = append(points, RampPoint{T: seconds(float64(i)), V: 90, I: quantity.Amperes(0.0231 + 0.0002*float64(i%2))})
	}
	m := Quiescent(points, 0.001)
	holds(t, 0.0232, m, "quiescent current")
	require.InDelta(t, 0.001, m.U, 2e-4)

	for i := range points {
		points[i].I = quantity.Amperes(0.05 * math.Exp(-float64(i)/5))
	}
	m = Quiescent(points, 0.001)
	require.Contains(t, m.Undecided, "still falls")
	require.False(t, Quiescent(points[:2], 0.001).Known())
}

func TestDischargeFit(t *testing.T) {
	// Source: 1000 µF and 47 kΩ: τ = 47.0 s (computed).
	var points []Sample
	for i := range 30 {
		points = append(points, Sample{T: seconds(float64(i) * 3), V: volts(400 * math.Exp(-float64(i)*3/47))})
	}
	d := FitDischarge(points, 0.01)
	require.InEpsilon(t, 47, d.TimeConstant.Value, 1e-6)
	require.InEpsilon(t, 400, float64(d.Start), 1e-6)
	require.Equal(t, 30, d.Used)

	require.Contains(t, FitDischarge(points[:2], 0.01).TimeConstant.Undecided, "at least 3")
	require.Contains(t, FitDischarge(points[:4], 60).TimeConstant.Undecided, "too small")
	rising := []Sample{{0, 10}, {1, 11}, {2, 12}, {3, 13}}
	require.Contains(t, FitDischarge(rising, 0.01).TimeConstant.Undecided, "does not fall")
}
