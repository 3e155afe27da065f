package plant

import (
	"maps"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// fittedUnit is a heron with devices, charged to its reduced voltage and turning; load is what hangs on its phases.
func fittedUnit(t *testing.T, load string, faults ...string) *bench {
	p := heron()
	p.Fitted = FittedStage{Star: 1000, Load: 1.5, CurrentLimit: 2, SensorGain: 1}
	b := newBench(t, p, Options{Fitted: true}, faults...)
	b.answers("load:"+load, "done")
	b.prepare()
	b.power()
	b.busTo(p.Bus.Reduced, 1)
	b.wait(2e9)
	b.ask(3)
	b.wait(100e6)
	b.BusTerminals() // brings the model up to the clock
	return b
}

func (b *bench) answers(what, want string) {
	b.t.Helper()
	answer, err := b.Answer(what)
	require.NoError(b.t, err)
	require.Equal(b.t, want, answer, what)
}

func (b *bench) amperes(leg string) float64 {
	b.t.Helper()
	i, ok := b.Current("current:" + leg)
	require.True(b.t, ok)
	return float64(i)
}

func TestAFittedBridgeStandsWhereItsSwitchesAndItsLoadTakeIt(t *testing.T) {
	b := fittedUnit(t, "star")
	in, out := b.turningLegs()
	legs := b.params.Bridge.Legs
	other := 3 - in - out
	bus := float64(b.BusTerminals())
	a, c := b.volts("phase:"+legs[in]), b.volts("phase:"+legs[out])
	require.InDelta(t, 0.3*bus, a, 0.03*bus, "the chopped phase has the duty's part of the bus, less its dead time")
	require.InDelta(t, 0, c, 0.1)
	require.InDelta(t, (a+c)/2, b.volts("phase:"+legs[other]), 0.02*bus, "the star takes the idle phase to its middle")
	require.InDelta(t, bus-a, b.volts("upper:"+legs[in]), 0.01*bus)
	b.answers("lamp", "dark")
	_, err := b.Answer("weather")
	require.ErrorContains(t, err, "weather")
}

func TestAShootThroughMakesTheLampGlow(t *testing.T) {
	b := fittedUnit(t, "none", "device_shorted:A.low", "device_shorted:A.high")
	b.answers("limiter", "lamp")
	b.wait(300e6)
	b.answers("lamp", "stays bright")
	bus := float64(b.BusTerminals())
	require.InDelta(t, bus/lampHot, float64(b.BusSupply().Read().Current)-bus/3900, 0.05*bus/lampHot+2e-3, "the lamp's hot resistance limits the current")
}

func TestALampThatGlowedIsToldOnceAsAFlash(t *testing.T) {
	b := fittedUnit(t, "none", "device_shorted:A.low", "device_shorted:A.high@bus=20 V")
	b.answers("limiter", "lamp")
	b.wait(300e6)
	b.BusTerminals()
	b.BusSupply().SetVoltage(5)
	b.wait(30e9)
	b.BusTerminals()
	b.answers("lamp", "flash then dark")
	b.answers("lamp", "dark")
}

func TestTheDrivesOwnLimitHoldsTheCurrent(t *testing.T) {
	b := fittedUnit(t, "dummy")
	in, _ := b.turningLegs()
	require.InDelta(t, 2, b.amperes(b.params.Bridge.Legs[in]), 0.02, "three tenths of the bus would drive ten times as much")
}

// loaded is a drive with devices on its dummy load, at a bus and a reference.
func loaded(t *testing.T, p Params, bus, volts float64, faults ...string) *bench {
	t.Helper()
	b := newBench(t, p, Options{Fitted: true}, faults...)
	b.answers("load:dummy", "done")
	b.prepare()
	if p.Control.Feed == "separate" {
		b.power()
	}
	b.busTo(quantity.Volts(bus), 1)
	b.wait(2e9)
	b.ask(quantity.Volts(volts))
	b.wait(200e6)
	b.BusTerminals()
	return b
}

func wrenLoaded(t *testing.T, volts float64, faults ...string) *bench {
	p := wren()
	p.Fitted = FittedStage{Load: 0.5, CurrentLimit: 2, SensorGain: 0.5, Sensors: []string{"A"}}
	return loaded(t, p, 30, volts, faults...)
}

func TestDeadTimeWorksAgainstTheCurrentWhereBothLegsChop(t *testing.T) {
	require.Zero(t, wrenLoaded(t, 0.3).amperes("A"), "three percent of the bus are less than what dead time takes")
	for _, volts := range []float64{0.8, -0.8} {
		b := wrenLoaded(t, volts)
		pause := 2 * b.unit.deadTime / b.unit.period
		want := math.Copysign(30*(0.08-pause)/(2*0.5+2*deviceOn), volts)
		require.InEpsilon(t, want, b.amperes("A"), 0.01, "U = (2D-1-2td/T)·Ub over both branches and devices")
		require.Equal(t, -b.amperes("A"), b.amperes("B"), "what goes in at one terminal comes out at the other")
		require.InEpsilon(t, 0.5*want, b.volts("sensor:A"), 0.01)
		ohms := 1 / (1/b.busESR + 1/b.bus.net.series)
		require.InEpsilon(t, 2*abs(want)*ohms, b.swing("bus"), 0.02, "the bus gives the current and takes it back in each period")
	}
	require.InDelta(t, 2, wrenLoaded(t, 5).amperes("A"), 0.02)
	require.InDelta(t, -2, wrenLoaded(t, -5).amperes("A"), 0.02)
	require.InDelta(t, -2.5, wrenLoaded(t, -5, "current_sensor_gain:A").amperes("A"), 0.02, "a sensor that tells 0.8 lets 1/0.8 flow")
	require.Greater(t, abs(wrenLoaded(t, 0, "dc_offset:B").amperes("A")), 0.5, "an offset of one leg drives a current at rest")
}

func TestACurrentLoopGivesWhatItsReferenceAsksFor(t *testing.T) {
	p := plover()
	p.Fitted = FittedStage{Load: 0.5, CurrentLimit: 3, FullScale: 6, SensorGain: 0.2, Sensors: []string{"A", "C"}}
	at := func(volts float64, faults ...string) float64 {
		b := loaded(t, p, 40, volts, faults...)
		in, _ := b.turningLegs()
		return b.amperes(b.params.Bridge.Legs[in])
	}
	require.InDelta(t, 1.2, at(2), 0.02)
	require.InDelta(t, 1.2, at(-2), 0.02)
	require.InDelta(t, 0.6, at(2, "reference_gain=0.5"), 0.02)
	require.InDelta(t, 3, at(8), 0.03, "more than its limit no reference gives")
	_, err := New(p, Options{Faults: []Fault{{Name: "current_sensor_gain", Target: "B"}}})
	require.ErrorContains(t, err, "leg B of plover has no current sensor; there are some in A, C")
}

func init() { maps.Copy(effects, fittedEffects) }

var fittedEffects = map[string]func(t *testing.T){
	"device_open": func(t *testing.T) {
		leg, bus := inLeg(t), 0.0
		b := fittedUnit(t, "star", "device_open:"+leg+".high")
		bus = float64(b.BusTerminals())
		require.Less(t, b.volts("phase:"+leg), 0.05*bus, "nothing takes the phase up")
	},
	"device_resistance": func(t *testing.T) {
		leg := inLeg(t)
		good, bad := fittedUnit(t, "star"), fittedUnit(t, "star", "device_resistance:"+leg+".high")
		require.InDelta(t, 2000./2400, bad.volts("phase:"+leg)/good.volts("phase:"+leg), 0.02, "400 ohm in front of two branches of 1 kohm")
	},
	"phases_unequal": func(t *testing.T) {
		leg := inLeg(t)
		good, bad := fittedUnit(t, "star"), fittedUnit(t, "star", "phases_unequal:"+leg)
		drop := float64(good.params.Bus.Reduced) / 10
		bus := float64(good.BusTerminals())
		require.InDelta(t, (bus-drop)/bus, bad.volts("phase:"+leg)/good.volts("phase:"+leg), 0.01, "the drop is missing from each pulse")
	},
	"dc_offset": func(t *testing.T) {
		atRest := func(faults ...string) (a, b, bus float64) {
			p := wren()
			p.Fitted = FittedStage{Star: 1000}
			u := newBench(t, p, Options{Fitted: true}, faults...)
			u.answers("load:star", "done")
			u.prepare()
			require.NoError(t, u.Remove("switch_node_jumpers"))
			u.power()
			u.busTo(p.Bus.Reduced, 1)
			u.wait(2e9)
			u.BusTerminals()
			return u.volts("phase:A"), u.volts("phase:B"), float64(u.BusTerminals())
		}
		a, b, bus := atRest()
		require.InDelta(t, 0.5*bus, a, 0.03*bus)
		require.InDelta(t, 0, a-b, 0.02*bus, "both legs have half of the bus")
		offA, offB, _ := atRest("dc_offset:B")
		require.InDelta(t, 0.1*bus, offB-b, 0.02*bus)
		require.InDelta(t, a, offA, 0.02*bus, "the other leg knows nothing of it")
	},
	"phase_leak": func(t *testing.T) {
		good, bad := fittedUnit(t, "none"), fittedUnit(t, "none", "phase_leak:A,B")
		require.NotEqual(t, good.volts("phase:B"), bad.volts("phase:B"))
	},
	"current_sensor_offset": func(t *testing.T) {
		leg := inLeg(t)
		b := fittedUnit(t, "dummy", "current_sensor_offset:"+leg)
		require.InDelta(t, 0.2, b.volts("sensor:"+leg)-b.amperes(leg), 1e-3)
		require.InDelta(t, 1.8, b.amperes(leg), 0.02, "the limit goes by what the sensor says")
	},
	"current_sensor_gain": func(t *testing.T) {
		leg := inLeg(t)
		b := fittedUnit(t, "dummy", "current_sensor_gain:"+leg)
		require.InDelta(t, 0.8*b.amperes(leg), b.volts("sensor:"+leg), 1e-3)
		require.InDelta(t, 2/1.2, fittedUnit(t, "dummy", "current_sensor_gain:"+leg+"=1.2").amperes(leg), 0.02, "the sensor that says most limits")
	},
	"current_limit_wrong": func(t *testing.T) {
		require.InDelta(t, 1.4, fittedUnit(t, "dummy", "current_limit_wrong").amperes(inLeg(t)), 0.02)
	},
	"motor_connected": func(t *testing.T) {
		fittedUnit(t, "none", "motor_connected").answers("motor", "a motor is connected")
		fittedUnit(t, "none").answers("motor", "no motor")
	},
}

// inLeg is the leg that the current goes in through in fittedUnit's state.
func inLeg(t *testing.T) string {
	b := fittedUnit(t, "none")
	in, _ := b.turningLegs()
	return b.params.Bridge.Legs[in]
}
