package command

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
)

// TestTheLimiterLampTellsWhereTheCurrentWent holds that a lamp that glowed points at the bridge, and one that stayed dark while too
// much flowed is not believed.
func TestTheLimiterLampTellsWhereTheCurrentWent(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		faults  []string
		outcome verdict.Outcome
		reason  string
	}{
		"a leg shorted through": {[]string{"device_shorted:A.low", "device_shorted:A.high@bus=20 V"}, verdict.Fail, ": the current went through the bridge"},
		"the brake chopper":     {[]string{"chopper_shorted"}, verdict.Undecided, "it stayed dark"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := tried(t, "wren", 1, false, c.faults, true, "first_power")[0]
			require.Equal(t, string(verdict.Fail), r.Ended.Outcome, telling(r))
			i := slices.IndexFunc(r.Checks, func(k event.Check) bool { return k.Name == "limiter lamp" })
			require.GreaterOrEqual(t, i, 0, "the lamp was asked for\n%s", telling(r))
			require.Equal(t, c.outcome, r.Checks[i].Outcome)
			require.Contains(t, r.Checks[i].Reason, c.reason)
			for _, k := range r.Checks {
				require.NotEqual(t, "each leg behind the limiter", k.Name, "nothing is turned on beside a fault")
			}
		})
	}
}
