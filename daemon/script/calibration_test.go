package script

import (
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

func TestEveryCheckOfAnInstrumentPastItsCalibrationSaysSo(t *testing.T) {
	const body = `
v = bus.voltage()
out = [check("in", "bus", v, high = 12 * V), check("out", "bus", v, high = 5 * V), check("difference", "bus", v - 9 * V, high = 3 * V)]
out.append(check("seen", "bus", ok = True, reason = "quiet", instrument = "scope"))
not_shown("never", "bus", reason = "no probe")
note(",".join(out))
`
	rig := func(strict bool, overdue map[string]string) *fakeRig {
		return &fakeRig{strict: strict, overdue: overdue,
			next: map[string]Reading{"bus.voltage": {Value: quantity.Volts(10).Value(), Uncertainty: 0.1, Instrument: "bus"}}}
	}
	outcomes := func(checks []verdict.Check) (all []verdict.Outcome) {
		for _, c := range checks {
			all = append(all, c.Outcome)
		}
		return all
	}
	const said = "bus is past its calibration, due 2026-06-30"

	result, err := try(t, rig(false, map[string]string{"bus": "2026-06-30"}), body)
	require.NoError(t, err)
	require.Equal(t, []verdict.Outcome{verdict.Pass, verdict.Fail, verdict.Pass, verdict.Pass, verdict.NotShown}, outcomes(result.Checks))
	for i := range 3 {
		require.Equal(t, said, result.Checks[i].Reason, "said with %s", result.Checks[i].Name)
	}
	require.Equal(t, "quiet", result.Checks[3].Reason, "another instrument saw it")

	result, err = try(t, rig(true, map[string]string{"bus": "2026-06-30", "scope": "2026-01-31"}), body)
	require.NoError(t, err)
	require.Equal(t, []verdict.Outcome{verdict.Undecided, verdict.Undecided, verdict.Undecided, verdict.Undecided, verdict.NotShown}, outcomes(result.Checks))
	require.Equal(t, said+"; else it would be fail", result.Checks[1].Reason)
	require.Equal(t, "quiet; scope is past its calibration, due 2026-01-31; else it would be pass", result.Checks[3].Reason)
	require.NotEmpty(t, result.Checks[0].Change)
	require.Equal(t, verdict.Undecided, result.Outcome)

	result, err = try(t, rig(true, nil), body)
	require.NoError(t, err)
	require.Empty(t, result.Checks[0].Reason, "within its calibration nothing is said")
	require.Equal(t, verdict.Pass, result.Checks[0].Outcome)
}
