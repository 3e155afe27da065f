package bench

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// The bus may fall no faster than physics lets it. Resistor alone: t = RC·ln(U0/U1).
func TestShortestFallIsWhatPhysicsAllows(t *testing.T) {
	tests := []struct {
		name     string
		pull     pull
		from, to quantity.Volts
		seconds  float64
		within   float64 // relative
	}{
		// "Capacitor discharge calculator, design tool 4": C 195 uF, 1500 V to 320 V through 50 ohm takes 0.015062769 s.
		{"published discharge through a resistor", pull{drive: Drive{CapacitanceLeast: 195e-6, BleederLeast: 50}}, 1500, 320, 0.015062769, 1e-7},
		// Discharge-resistor calculator page: 10 uF from 10 V to 0.1 V in 100 ms needs 2.17 kohm (2171.47 computed).
		{"published resistor for a time", pull{drive: Drive{CapacitanceLeast: 10e-6, BleederLeast: 2171.47}}, 10, 0.1, 0.1, 1e-5},
		// Computed from t = RC·ln(U0/U1): 1000 uF, 47 kohm, 340 V to 50 V is 90.0954 s.
		{"bleeder of a large bus", pull{drive: Drive{CapacitanceLeast: 1000e-6, BleederLeast: 47e3}}, 340, 50, 90.0954, 1e-5},
		// I = C·dU/dt: 0.5 A takes 1000 uF from 320 V to 0 in 0.64 s.
		{"a sinking supply alone", pull{drive: Drive{CapacitanceLeast: 1000e-6}, sink: 0.5}, 320, 0, 0.64, 1e-9},
		// E = 1/2·C·U²: 100 W takes the 51.2 J of 1000 uF at 320 V in 0.512 s.
		{"constant power alone", pull{drive: Drive{CapacitanceLeast: 1000e-6, ControlPower: 100}}, 320, 0, 0.512, 1e-3},
		{"constant power ends at the stop voltage", pull{drive: Drive{CapacitanceLeast: 1000e-6, ControlPower: 100, ControlStop: 160}, sink: 1},
			160, 0, 0.16, 1e-9},
		{"two resistors pull together", pull{drive: Drive{CapacitanceLeast: 1000e-6, BleederLeast: 2000}, resistors: []quantity.Ohms{2000}},
			math.E * 100, 100, 1, 1e-9},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			require.InEpsilon(t, tt.seconds, tt.pull.shortest(tt.from, tt.to).Seconds(), tt.within)
		})
	}
}

func TestShortestFallWithSinkAndResistorAgreesWithStepping(t *testing.T) {
	p := pull{drive: Drive{CapacitanceLeast: 470e-6, BleederLeast: 3900, ControlPower: 6, ControlStop: 16}, sink: 0.05}
	u, seconds, dt := 90.0, 0.0, 1e-6
	for u > 10 {
		i := u/3900 + 0.05
		if u > 16 {
			i += 6 / u
		}
		u -= i / 470e-6 * dt
		seconds += dt
	}
	require.InEpsilon(t, seconds, p.shortest(90, 10).Seconds(), 1e-3)
}

func TestNothingPullsMeansNoFallIsAllowed(t *testing.T) {
	p := pull{drive: Drive{CapacitanceLeast: 1000e-6}}
	require.Greater(t, p.shortest(90, 80), 10*365*24*time.Hour)
	require.Zero(t, p.shortest(80, 90), "a rise needs no time")
	require.Zero(t, pull{sink: 1}.shortest(90, 0), "without a capacitance nothing can be said")
}

func TestLongestFallIsTheSlowestCapacitorThroughTheWeakestBleeder(t *testing.T) {
	d := Drive{CapacitanceMost: 1000e-6, BleederMost: 47e3}
	require.InEpsilon(t, 90.0954, d.longest(340, 50).Seconds(), 1e-5) // as above, from t = RC·ln(U0/U1)
	require.Zero(t, d.longest(40, 50))
	require.Zero(t, Drive{CapacitanceMost: 1e-3}.longest(340, 50), "no bleeder is stated")
}
