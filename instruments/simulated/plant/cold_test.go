package plant

import (
	"maps"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// coldUnit is a heron as it came in, with its rectifier and the midpoint of its capacitors.
func coldUnit(t *testing.T, faults ...string) *bench {
	p := heron()
	p.Cold = Cold{GateSource: 10e3, Drop: 0.45, Lines: []string{"L1", "L2", "L3"}, LineDrop: 0.5, Balance: 100e3}
	p.Bus.Bleeder = 3900
	return newBench(t, p, Options{}, faults...)
}

func (b *bench) ohms(high, low string) float64 {
	b.t.Helper()
	r, err := b.Ohms(high, low)
	require.NoError(b.t, err)
	return float64(r)
}

func (b *bench) drop(high, low string) float64 {
	b.t.Helper()
	v, err := b.Drop(high, low)
	require.NoError(b.t, err)
	return float64(v)
}

func init() { maps.Copy(effects, coldEffects) }

var coldEffects = map[string]func(t *testing.T){
	"device_shorted": func(t *testing.T) {
		b := coldUnit(t, "device_shorted:B.high")
		require.Less(t, b.ohms("bus+", "phase:B"), 0.1)
		require.Greater(t, b.ohms("gate:B.high", "phase:B"), 5e3, "its gate is whole")
		require.Greater(t, b.ohms("bus+", "phase:A"), 1e3)
	},
	"device_gate_source_shorted": func(t *testing.T) {
		b := coldUnit(t, "device_gate_source_shorted:B.high")
		require.Less(t, b.ohms("gate:B.high", "phase:B"), 0.2)
		require.InDelta(t, float64(b.params.Gate.Resistor), b.ohms("output:B.high", "phase:B"), 0.3, "seen through the gate resistor")
	},
	"device_gate_drain_shorted": func(t *testing.T) {
		b := coldUnit(t, "device_gate_drain_shorted:B.low")
		require.Less(t, b.ohms("gate:B.low", "phase:B"), 0.2)
		require.Greater(t, b.ohms("gate:A.low", "phase:A"), 5e3)
	},
	"device_shorted_all": func(t *testing.T) {
		b := coldUnit(t, "device_shorted_all:B.high")
		for _, pair := range [][2]string{{"bus+", "phase:B"}, {"gate:B.high", "phase:B"}, {"gate:B.high", "bus+"}} {
			require.Less(t, b.ohms(pair[0], pair[1]), 0.2, "%v", pair)
		}
	},
	"device_leaky": func(t *testing.T) {
		b := coldUnit(t, "device_leaky:A.low=200 ohm")
		require.InDelta(t, 200, b.ohms("phase:A", "bus-"), 5)
	},
	"gate_resistor_open": func(t *testing.T) {
		require.Greater(t, coldUnit(t, "gate_resistor_open:A.low").ohms("output:A.low", "gate:A.low"), 10e3)
	},
	"gate_resistor_high": func(t *testing.T) {
		b := coldUnit(t, "gate_resistor_high:A.low")
		require.InEpsilon(t, 3*float64(b.params.Gate.Resistor), b.ohms("output:A.low", "gate:A.low"), 0.02)
	},
	"gate_resistor_wrong": func(t *testing.T) {
		b := coldUnit(t, "gate_resistor_wrong:A.low")
		require.InEpsilon(t, 0.47*float64(b.params.Gate.Resistor), b.ohms("output:A.low", "gate:A.low"), 0.02)
	},
	"gate_source_resistor_open": func(t *testing.T) {
		require.InEpsilon(t, driverOff, coldUnit(t, "gate_source_resistor_open:A.low").ohms("gate:A.low", "bus-"), 0.05, "the driver is left")
	},
	"gate_clamp_shorted": func(t *testing.T) {
		require.InDelta(t, 1, coldUnit(t, "gate_clamp_shorted:A.low").ohms("gate:A.low", "bus-"), 0.01)
	},
	"gate_clamp_leaky": func(t *testing.T) {
		require.InEpsilon(t, 1/(1/1e3+1/10e3+1/47e3), coldUnit(t, "gate_clamp_leaky:A.low").ohms("gate:A.low", "bus-"), 0.02)
	},
	"driver_output_shorted": func(t *testing.T) {
		b := coldUnit(t, "driver_output_shorted:A.low")
		require.InDelta(t, 0.5, b.ohms("output:A.low", "bus-"), 0.01)
		require.InDelta(t, 0.5+float64(b.params.Gate.Resistor), b.ohms("gate:A.low", "bus-"), 0.2)
	},
	"rectifier_shorted": func(t *testing.T) {
		b := coldUnit(t, "rectifier_shorted:L2.plus")
		require.Less(t, b.drop("line:L2", "feed+"), 0.01)
		require.InDelta(t, 0.5, b.drop("line:L1", "feed+"), 0.02)
	},
	"rectifier_open": func(t *testing.T) {
		b := coldUnit(t, "rectifier_open:L2.minus")
		require.Greater(t, b.drop("bus-", "line:L2"), 1.)
		require.InDelta(t, 0.5, b.drop("bus-", "line:L1"), 0.02)
	},
	"bus_capacitor_shorted": func(t *testing.T) {
		require.Less(t, coldUnit(t, "bus_capacitor_shorted").ohms("bus+", "mid"), 0.4)
	},
	"bus_capacitor_leaky": func(t *testing.T) {
		require.Less(t, coldUnit(t, "bus_capacitor_leaky").ohms("bus+", "mid"), 1e3)
	},
	"midpoint_off": func(t *testing.T) {
		b := coldUnit(t, "midpoint_off")
		require.Less(t, b.ohms("mid", "bus-"), 0.6*coldUnit(t).ohms("mid", "bus-"))
		require.Less(t, b.ohms("mid", "bus-"), b.ohms("bus+", "mid"), "the worse half reads less, though the bleeder ties both together")
	},
	"insulation_pierced": func(t *testing.T) {
		b := coldUnit(t, "insulation_pierced:A.low")
		require.InEpsilon(t, 20e3, b.ohms("phase:A", "chassis"), 0.02)
	},
	"device_of_another_type": func(t *testing.T) {
		b := coldUnit(t, "device_of_another_type:A.low")
		require.InDelta(t, 0.15, b.drop("bus-", "phase:A")-b.drop("bus-", "phase:B"), 0.03)
	},
}

func TestGoodDriveReadsColdAsItsFiguresSay(t *testing.T) {
	b := coldUnit(t)
	require.InEpsilon(t, 1/(1/3900.+1/200e3+1/2e6), b.ohms("bus+", "bus-"), 0.01)
	require.InEpsilon(t, b.ohms("bus+", "mid"), b.ohms("mid", "bus-"), 0.05)
	for _, leg := range b.params.Bridge.Legs {
		require.InDelta(t, 0.45, b.drop("phase:"+leg, "bus+"), 0.02)
		require.InDelta(t, 0.45, b.drop("bus-", "phase:"+leg), 0.02)
		require.Greater(t, b.ohms("bus+", "phase:"+leg), 3900., "the bleeder and the low side's diode lie beside it")
		require.Greater(t, b.ohms("phase:"+leg, "bus-"), 3900.)
		require.Greater(t, b.ohms("phase:"+leg, "chassis"), 50e6)
	}
	require.InEpsilon(t, 1/(1/10e3+1/47e3), b.ohms("gate:A.high", "phase:A"), 0.02)
	require.Zero(t, b.ohms("bus-", "bus-"))
	_, err := b.Ohms("gate:Z.high", "bus-")
	require.ErrorContains(t, err, "no such pair")
}

func TestMeterChargesAGateThatNothingDischarges(t *testing.T) {
	b := coldUnit(t, "gate_source_resistor_open:A.low", "gate_resistor_open:A.low")
	require.Greater(t, b.ohms("phase:A", "bus-"), 1e3)
	b.ohms("gate:A.low", "bus-")
	require.Less(t, b.ohms("phase:A", "bus-"), 0.1, "a good device reads shorted")
	require.NoError(t, b.Join("bus-", "gate:A.low"))
	require.Greater(t, b.ohms("phase:A", "bus-"), 1e3)
	whole := coldUnit(t)
	whole.ohms("gate:A.low", "bus-")
	require.Greater(t, whole.ohms("phase:A", "bus-"), 1e3, "its resistor discharges the gate")
}

func TestNothingIsReadOnALiveDrive(t *testing.T) {
	b := coldUnit(t)
	b.busTo(30, 0.15)
	b.wait(2 * time.Second)
	_, err := b.Ohms("bus+", "bus-")
	require.ErrorContains(t, err, "energised")
}

// An unbalanced bridge of 1, 2, 3, 4 and 5 ohm, by hand: star-delta of the triangle 1, 2, 5.
func TestColdNetworkSolvesABridge(t *testing.T) {
	n := &coldNetwork{}
	n.ohms("a", "l", 1)
	n.ohms("a", "r", 2)
	n.ohms("l", "r", 5)
	n.ohms("l", "b", 3)
	n.ohms("r", "b", 4)
	star := 1 + 2 + 5.
	want := 1*2/star + 1/(1/(1*5/star+3)+1/(2*5/star+4))
	require.InDelta(t, want, n.volts(n.at("a"), n.at("b"), 1), 1e-6)
}

func TestColdNetworkHoldsADiodeToItsDrop(t *testing.T) {
	for _, drop := range []float64{0.3, 0.45, 0.9} {
		n := &coldNetwork{}
		n.diode("a", "b", drop)
		require.InDelta(t, drop, n.volts(n.at("a"), n.at("b"), 1e-3), 1e-4)
		require.InDelta(t, drop-emission*math.Log(10), n.volts(n.at("a"), n.at("b"), 1e-4), 1e-3)
		require.Greater(t, n.volts(n.at("b"), n.at("a"), 1e-6), 3.)
	}
}
