package command

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/verdict"
)

// A drive whose devices are fitted and that has a fault stops its job at the fitted stage: the script that looks for the fault names it,
// and the soak stays locked. What comes before is set aside here; TestAFaultThroughTheJob goes through that.
func TestAFaultInTheFittedStageOfAJob(t *testing.T) {
	t.Parallel()
	for _, c := range faultCases() {
		if !slices.Contains(fittedScripts, c.script) || c.outcome != string(verdict.Fail) {
			continue
		}
		if !*everyFamily && c.String() != "first_power/wren/motor_connected" {
			continue
		}
		t.Run(c.String(), func(t *testing.T) {
			t.Parallel()
			r := takeIn(t, c.family)
			r.fittedWithout("only the fitted stage is tried")
			bench := r.bench("--fitted", "--fault", c.fault)
			require.Contains(t, r.missing("fitted"), c.script)
			require.Equal(t, string(verdict.Fail), r.script(bench, c.script))
			c.holds(t, r.latest())
			oneLine(t, r.run(t, "run", "soak", "--here", "--bench", bench, "--job", r.id, "--operator", "Ann"), ExitConfig, "is not ready for stage")
		})
	}
}

// fittedWithout brings the job to its fitted stage by overrides.
func (r *repair) fittedWithout(reason string) {
	r.t.Helper()
	for _, stage := range []string{"cold", "rails"} {
		r.does("job", "override", r.id, "--stage", stage, "--reason", reason, "--by", "Bo")
	}
	r.does("job", "release", r.id, "--override", reason, "--by", "Bo")
	family, err := drive.LoadNamed([]string{"../../configs/families"}, r.family)
	require.NoError(r.t, err)
	args := []string{"job", "fitted", r.id, "--by", "Ann", "--insulation", "200 Mohm", "--torque", "1.2 N m", "--paste", "pad", "--electrolytics", "none changed", "--stand-ins-out"}
	for _, channel := range family.Bridge.Channels {
		args = append(args, "--device", channel.Name+"=10 kohm")
	}
	r.does(args...)
}
