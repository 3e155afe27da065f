package script

import (
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// A resistor maker's capacitor discharge calculator ("design tool 4") gives 219.375 J (here to five digits) for 195 uF at 1500 V.
func TestStoredEnergyHasTheUncertaintyOfBoth(t *testing.T) {
	rig := &fakeRig{next: map[string]Reading{"bus.voltage": {Value: quantity.Volts(100).Value(), Uncertainty: 1, Instrument: "bus"}}}
	result, err := try(t, rig, `
note("%s" % stored_energy(195 * uF, 1500 * V))
check("capacitance", "bus", stored_energy(200 * uF, bus.voltage()), high = 2 * J)
`)
	require.NoError(t, err)
	require.Equal(t, event.Note{Text: "219.38 J"}, rig.events[0])
	c := result.Checks[0]
	require.InDelta(t, 1, c.Reading.Number, 1e-12)
	require.InDelta(t, 0.02, c.Uncertainty.Number, 1e-12, "1 % of the voltage counts twice")
	require.Equal(t, "bus", c.Instrument)
	require.Equal(t, verdict.Pass, c.Outcome)

	_, err = try(t, &fakeRig{}, `stored_energy(1 * V, 1 * V)`)
	require.ErrorContains(t, err, "stored_energy: capacitance: got 1 V, want a quantity in F")
	_, err = try(t, &fakeRig{}, `ripple(1 * V)`)
	require.ErrorContains(t, err, "ripple: got quantity, want a trace")
	_, err = try(t, &fakeRig{}, `fit_series_resistance([], 1 * V)`)
	require.ErrorContains(t, err, "want a quantity in A")
}

func TestPreferredValuesAreToldAsFarAsTheReadingCanTell(t *testing.T) {
	rig := &fakeRig{next: map[string]Reading{"bus.voltage": {Value: quantity.Ohms(100).Value(), Uncertainty: 10, Instrument: "bus"}}}
	_, err := try(t, rig, `
note(", ".join(preferred_values(2.39 * ohm)))
note("%d" % len(preferred_values(bus.voltage())))
`)
	require.NoError(t, err)
	require.Equal(t, event.Note{Text: "2.4 Ω (E24), 2.37 Ω (E96)"}, rig.events[0])
	require.Equal(t, event.Note{Text: "0"}, rig.events[1])
	_, err = try(t, rig, `preferred_values(1 * V)`)
	require.ErrorContains(t, err, "want a quantity in Ω")
}

func TestTheOddOneOutOfReadingsByName(t *testing.T) {
	rig := &fakeRig{}
	_, err := try(t, rig, `
four = odd_one_out({"A.high": 10 * ohm, "A.low": 10.1 * ohm, "B.high": 9.9 * ohm, "B.low": 15 * ohm}, floor = 1 * ohm)
two = odd_one_out({"A": 10 * ohm, "B": 15 * ohm}, floor = 1 * ohm)
note("%s %s %s" % (four.odd, four.median, two.unclear))
`)
	require.NoError(t, err)
	require.Equal(t, event.Note{Text: `["B.low"] 10.05 Ω the two differ, and nobody knows which of them is right`}, rig.events[0])
	_, err = try(t, rig, `odd_one_out({"A": 10 * V, "B": 15 * ohm}, floor = 1 * ohm)`)
	require.ErrorContains(t, err, "want a quantity in Ω")
}
