package plant

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// exact is a supply without errors, with next to no capacitor of its own.
func exact(highest quantity.Volts, current quantity.Amperes) SupplySpec {
	return SupplySpec{Highest: highest, Current: current, Capacitance: 1e-9, Resistance: 0.01, Rise: 0.02}
}

func TestDischargeFollowsThePublishedExample(t *testing.T) {
	// Source: "Capacitor discharge calculator, design tool 4": 195 uF charged to 1500 V reaches 320 V through 50 ohm after
	// 15.062769 ms; the resistor takes 45000 W at first and 219.375 J in all.
	p := heron()
	p.Bus = Bus{Nominal: 1500, Reduced: 1500, Capacitance: 195e-6, Bleeder: 50}
	b := newBench(t, p, Options{Contactor: true, Bus: exact(1600, 100)}, "series_resistance_high=1 mohm")
	b.Contact("bus_contactor").Set(true)
	b.busTo(1500, 100)
	b.wait(time.Second)
	require.InDelta(t, 1500, float64(b.BusTerminals()), 0.5)
	opened := b.now
	u0 := float64(b.BusTerminals())
	b.Contact("bus_contactor").Set(false)
	b.wait(100 * time.Millisecond)

	at, found, err := b.FindTrigger("bus", 320, Falling, opened, b.now)
	require.NoError(t, err)
	require.True(t, found)
	got := at.Sub(opened).Seconds() + 195e-6*50*math.Log(1500/u0)
	require.InEpsilon(t, 15.062769e-3, got, 1e-4)

	const step = 10e-6
	v, err := b.Capture("bus", opened, step, 10000, false)
	require.NoError(t, err)
	require.InEpsilon(t, 45000*(u0/1500)*(u0/1500), float64(v[1]*v[1])/50, 5e-3)
	energy := 0.0
	for _, x := range v {
		energy += float64(x) * float64(x) / 50 * step
	}
	require.InEpsilon(t, 219.375*(u0/1500)*(u0/1500), energy, 2e-3)
}

func TestRampCurrentIsCapacitanceTimesSlope(t *testing.T) {
	// I = C dU/dt; the supply's own capacitor is charged too, and the bleeder takes its part.
	b := newBench(t, heron(), Options{Seed: 3})
	b.busTo(90, 0.15)
	b.wait(100 * time.Millisecond)
	u0 := float64(b.BusTerminals())
	require.Equal(t, CC, b.BusSupply().Read().Mode)
	b.wait(100 * time.Millisecond)
	u1 := float64(b.BusTerminals())
	mean := (u0 + u1) / 2
	slope := (u1 - u0) / 0.1
	require.InEpsilon(t, 0.15-mean*(1/3900.+b.unit.board), (470e-6+100e-6)*slope, 2e-3)
	b.wait(2 * time.Second)
	r := b.BusSupply().Read()
	require.Equal(t, CV, r.Mode)
	require.InDelta(t, 90, float64(r.Voltage), 0.1)
	require.InDelta(t, 0.024, float64(r.Current), 0.002, "bleeder and board: the middle of the quiescent band")
}

func TestSupplyAloneChargesItsOwnCapacitor(t *testing.T) {
	b := newBench(t, heron(), Options{Contactor: true})
	b.busTo(90, 0.1)
	b.wait(30 * time.Millisecond)
	v := float64(b.BusSupply().Read().Voltage)
	require.InEpsilon(t, 0.1*0.030/100e-6, v, 0.02)
	require.Zero(t, b.BusTerminals(), "the contactor is open")
}

func TestBusOfAnUnsuppliedDriveFallsThroughItsBleederOnly(t *testing.T) {
	b := newBench(t, heron(), Options{})
	b.busTo(60, 0.15)
	b.wait(3 * time.Second)
	off := b.now
	u0 := float64(b.BusTerminals())
	b.BusSupply().SetOutput(false)
	b.wait(2 * time.Second)
	// The supply's output capacitor stays connected and its regulator cannot sink.
	tau := (470e-6 + 100e-6) / (1/3900. + b.unit.board)
	require.InEpsilon(t, u0*math.Exp(-2/tau), float64(b.BusTerminals()), 2e-3)
	require.Equal(t, Off, b.BusSupply().Read().Mode)
	at, found, err := b.FindTrigger("bus", quantity.Volts(u0/2), Falling, off, b.now)
	require.NoError(t, err)
	require.True(t, found)
	require.InEpsilon(t, tau*math.Ln2, at.Sub(off).Seconds(), 2e-3)
}

func TestDownProgrammerHidesAnOpenBleeder(t *testing.T) {
	down := func(sink quantity.Amperes, faults ...string) float64 {
		spec := DefaultBusSupply(320)
		spec.Sink = sink
		b := newBench(t, heron(), Options{Bus: spec}, faults...)
		b.busTo(90, 0.15)
		b.wait(3 * time.Second)
		b.BusSupply().SetVoltage(0)
		b.wait(1500 * time.Millisecond)
		return float64(b.BusTerminals())
	}
	require.Greater(t, down(0, "bleeder_open"), 85., "nothing pulls the bus down")
	require.Less(t, down(0), 50.)
	require.Less(t, down(0.2, "bleeder_open"), 1., "the supply's sink current hides it")
}

func TestControlSectionOnTheBusStartsAndStopsByVoltage(t *testing.T) {
	b := newBench(t, plover(), Options{})
	b.busTo(12, 0.5)
	b.wait(time.Second)
	require.Less(t, float64(b.BusSupply().Read().Current), 0.020, "below its starting voltage only the bleeder draws")
	b.BusSupply().SetVoltage(24)
	b.wait(time.Second)
	require.InDelta(t, 24/1200.+6/24., float64(b.BusSupply().Read().Current), 0.01)
	b.BusSupply().SetVoltage(40)
	b.wait(time.Second)
	require.InDelta(t, 40/1200.+6/40., float64(b.BusSupply().Read().Current), 0.01, "constant power: less current at more voltage")
	b.BusSupply().SetVoltage(15)
	b.wait(5 * time.Second)
	require.InDelta(t, 15/1200.+6/15., float64(b.BusSupply().Read().Current), 0.02, "it stops lower than it starts")
	b.BusSupply().SetVoltage(12)
	b.wait(5 * time.Second)
	require.Less(t, float64(b.BusSupply().Read().Current), 0.020)
}

func TestTooSmallACurrentLimitHangsAtTheStartOfTheControlSection(t *testing.T) {
	b := newBench(t, plover(), Options{})
	b.busTo(24, 0.2) // 6 W at 17 V are 0.35 A
	highest, lowest := 0.0, 100.0
	for range 400 {
		b.wait(10 * time.Millisecond)
		v := float64(b.BusTerminals())
		highest = max(highest, v)
		if b.now.Sub(b.start) > time.Second {
			lowest = min(lowest, v)
		}
	}
	require.Less(t, highest, 18.5)
	require.Less(t, lowest, 14., "the starting section pulls the bus down again and again")
}

func TestProtectionSwitchesOffAndStaysOff(t *testing.T) {
	b := newBench(t, heron(), Options{})
	s := b.BusSupply()
	s.SetOVP(50)
	b.busTo(60, 0.3)
	b.wait(2 * time.Second)
	r := s.Read()
	require.True(t, r.OVP)
	require.False(t, r.On)
	s.SetOutput(true)
	require.False(t, s.Read().On, "a tripped protection holds the output off")
	s.ClearProtection()
	s.SetOVP(70)
	s.SetOutput(true)
	b.wait(2 * time.Second)
	require.InDelta(t, 60, float64(s.Read().Voltage), 0.1)

	s.SetOCP(0.010, true)
	b.wait(100 * time.Millisecond)
	r = s.Read()
	require.True(t, r.OCP)
	require.False(t, r.On)
}

func TestReadBackHasErrorAndNoiseWithinItsAccuracy(t *testing.T) {
	spec := DefaultBusSupply(320)
	seen := map[quantity.Volts]bool{}
	for seed := range uint64(20) {
		b := newBench(t, heron(), Options{Seed: seed})
		b.busTo(90, 0.15)
		b.wait(3 * time.Second)
		for range 5 {
			r := b.BusSupply().Read()
			seen[r.Voltage] = true
			require.InDelta(t, float64(b.BusTerminals()), float64(r.Voltage), 90*float64(spec.Gain)+2*float64(spec.Offset))
		}
	}
	require.Len(t, seen, 100)
}
