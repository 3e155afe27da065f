package script

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// meters are two instruments with a reading each: 12 V ± 0.3 V and 2 A ± 0.04 A, and a second voltage of the first, 8 V ± 0.2 V.
func meters() *fakeRig {
	return &fakeRig{next: map[string]Reading{
		"bus.voltage":       {Value: quantity.Volts(12).Value(), Uncertainty: 0.3, Instrument: "bus"},
		"control.voltage":   {Value: quantity.Volts(8).Value(), Uncertainty: 0.2, Instrument: "bus"},
		"bus_meter.voltage": {Value: quantity.Volts(10).Value(), Uncertainty: 0.4, Instrument: "bus_meter"},
		"bus.current":       {Value: quantity.Amperes(2).Value(), Uncertainty: 0.04, Instrument: "meter"},
	}}
}

// By hand, JCGM 100:2008 (GUM), 5.1.2 and 5.2.2: c·U each, the root of the sum of squares for two instruments, the sum for one.
func TestWhatIsWorkedOutOfReadingsKeepsTheirUncertainty(t *testing.T) {
	for expression, want := range map[string]float64{
		`volts`:                        0.3,
		`-volts`:                       0.3,
		`magnitude(-volts)`:            0.3,
		`volts * 2`:                    0.6,
		`3 * V + volts`:                0.3,
		`volts - others`:               0.5, // 0.3 and 0.4, independent
		`others - volts`:               0.5,
		`volts + second`:               0.5, // one instrument: 0.3 + 0.2
		`volts - second`:               0.5,
		`volts - volts`:                0.6, // never too little
		`(volts + second) / 2`:         0.25,
		`volts * amperes`:              math.Hypot(2*0.3, 12*0.04),
		`volts / amperes`:              math.Hypot(0.3/2, 12*0.04/4),
		`6 * V / amperes`:              6 * 0.04 / 4,
		`ratio(volts, 10 * V)`:         0.03,
		`ratio(volts, others)`:         math.Hypot(0.3/10, 12*0.4/100),
		`ratio(second, volts)`:         0.2/12 + 8*0.3/144,
		`(volts - others) + (others)`:  0.9, // the same instrument again
		`(volts + others) / (2 * A)`:   0.25,
		`5 * V - 2 * V`:                0,
		`ratio(5 * V, 2 * V)`:          0,
		`(volts - others) / (1 * ohm)`: 0.5,
		`ratio(volts - others, amperes * (1 * ohm))`: math.Sqrt(0.5*0.5/4 + 0.02*0.02),
	} {
		rig := meters()
		_, err := try(t, rig, `
seen = read("bus.voltage", "bus_meter.voltage", "bus.current", "control.voltage")
volts, others, amperes, second = seen["bus.voltage"], seen["bus_meter.voltage"], seen["bus.current"], seen["control.voltage"]
x = `+expression+`
check("quiescent current", "a", x, high = x + x + x)
note("u %s" % x.uncertainty)`)
		require.NoError(t, err, expression)
		k := rig.checks()[0]
		if want == 0 {
			require.Nil(t, k.Uncertainty, expression)
			continue
		}
		require.NotNil(t, k.Uncertainty, expression)
		require.InDelta(t, want, k.Uncertainty.Number, 1e-12, expression)
		u, _ := k.Budget.Expanded()
		require.InEpsilon(t, want, u, 0.001, "%s: its budget comes to what is stated", expression)
	}
}

func TestARatioIsOfOneUnit(t *testing.T) {
	for expression, want := range map[string]string{
		`ratio(5 * V, 2 * A)`: "different units",
		`ratio(5 * V, 0 * V)`: "divided by zero",
		`ratio(5, 2 * V)`:     "want a quantity",
	} {
		_, err := try(t, meters(), `note("%s" % `+expression+`)`)
		require.ErrorContains(t, err, want, expression)
	}
}

// JCGM 100:2008 (GUM), example H.2: voltage 4.9990 V with u = 0.0032 V, current 19.6610 mA with u = 0.0095 mA, taken together and
// correlated (r = -0.36). Published for Z = V/I: 254.260 Ω with u = 0.236 Ω (from the unrounded figures 0.2363; without the
// correlation it would come out as 0.204, too little). Readings of one instrument may be correlated in any way: what we state holds
// the published figure. Readings of two instruments are taken as independent.
func TestTheCorrelatedExampleOfTheGUM(t *testing.T) {
	volts := measured{Value: quantity.Volts(4.9990).Value(), uncertainty: 2 * 0.0032094, instrument: "meter"}
	amperes := measured{Value: quantity.Amperes(19.6610e-3).Value(), uncertainty: 2 * 0.0094710e-3, instrument: "meter"}
	z := func() measured {
		moved := volts.Number / amperes.Number
		return derived(quantity.Ohms(moved).Value(), volts, amperes, 1/amperes.Number, moved/amperes.Number)
	}
	require.InDelta(t, 254.260, z().Number, 5e-4)
	require.GreaterOrEqual(t, z().uncertainty/2, 0.236)
	require.InDelta(t, 0.2857, z().uncertainty/2, 1e-4, "the bound of any correlation: 0.16324 + 0.12248")
	amperes.instrument = "another"
	require.InDelta(t, 0.2041, z().uncertainty/2, 1e-4, "no correlation")
}

func (r *fakeRig) checks() (all []event.Check) {
	for _, b := range r.events {
		if c, ok := b.(event.Check); ok {
			all = append(all, c)
		}
	}
	return all
}
