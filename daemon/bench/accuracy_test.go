package bench

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

func TestARangeHasItsOwnAccuracy(t *testing.T) {
	const one = "{voltage: 0.05 % of reading + 10 mV}"
	require.Contains(t, quay, one)
	f, err := DecodeFile("quay.yaml", []byte(strings.Replace(quay, one, "{voltage: [{up_to: 10 V, is: 1 mV}, {up_to: 100 V, is: 0.1 % of reading + 5 mV}]}", 1)))
	require.NoError(t, err)
	require.Empty(t, f.Validate(heronNeeds, spokeForTest).Faults)
	for _, c := range []struct {
		reading, u float64
		stated     bool
	}{
		{3, 0.001, true}, {-10, 0.001, true}, {10.001, 0.010001 + 0.005, true}, {-50, 0.055, true}, {100, 0.105, true},
		{101, 1.51, false}, // past the last range nothing is stated: the careful figure
	} {
		a, stated := f.AccuracyAt(BusMeter, "voltage", c.reading)
		require.Equal(t, c.stated, stated, c.reading)
		require.InDelta(t, c.u, a.At(c.reading), 1e-12, "at %v", c.reading)
		require.InDelta(t, c.u, float64(f.uncertainty(BusMeter)(quantity.Volts(-c.reading))), 1e-12)
	}
	worst, stated := f.Accuracy(BusMeter, "voltage")
	require.True(t, stated)
	require.Equal(t, "0.1 % of reading + 5 mV", worst.String())
	_, stated = f.Accuracy(BusMeter, "current")
	require.False(t, stated)
}

func TestCalibrationHoldsThroughTheDayOnWhichItIsDue(t *testing.T) {
	f, err := DecodeFile("quay.yaml", []byte(quay))
	require.NoError(t, err)
	for day, want := range map[string]string{"2026-11-25": "", "2027-03-31": "", "2027-04-01": "2027-03-31", "2031-01-01": "2027-03-31"} {
		when, err := time.Parse(time.DateOnly, day)
		require.NoError(t, err)
		require.Equal(t, want, f.PastCalibration(BusMeter, when), day)
	}
	require.Empty(t, f.PastCalibration(Bus, time.Now()), "no date is stated for it")
	require.Empty(t, f.PastCalibration("no such role", time.Now()))
}
