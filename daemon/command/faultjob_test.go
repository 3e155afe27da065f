package command

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/record"
	"benchwarden/daemon/report"
	"benchwarden/daemon/verdict"
)

// throughTheJob are the faults that are taken through a whole job without -every-family: one a stage.
var throughTheJob = []string{"cold_checks/wren/gate_resistor_open:A.low", "rails/wren/rail_missing:pump", "gate_sweep/wren/channel_dead:{high}"}

// A drive with a fault is taken in and goes through its stages in order: the fault stops the job at the stage that shows it, named, with
// what the cold checks propose, and what comes after stays locked.
func TestAFaultThroughTheJob(t *testing.T) {
	t.Parallel()
	list := faultCases()
	for _, c := range list {
		if c.instrument || c.outcome != string(verdict.Fail) || slices.Contains(fittedScripts, c.script) {
			continue
		}
		if !*everyFamily && !slices.ContainsFunc(throughTheJob, func(name string) bool {
			return strings.HasPrefix(c.String(), strings.ReplaceAll(name, "{high}", ""))
		}) {
			continue
		}
		t.Run(c.String(), func(t *testing.T) {
			t.Parallel()
			c.throughTheJob(t, list)
		})
	}
}

func (c faultCase) throughTheJob(t *testing.T, list []faultCase) {
	r := takeIn(t, c.family)
	bench := r.bench("--fault", c.fault)
	next := map[string]string{"cold": "rails", "rails": "twitch", "board": "first_power"}
	for _, stage := range []string{"cold", "rails", "board"} {
		open := r.missing(stage)
		require.NotEmpty(t, open)
		switch {
		case slices.Contains(open, c.script):
			open = []string{c.script}
		case stage == "board": // one that the family does not ask for: it is run at the end, and locks what comes after
			open = append(open, c.script)
		}
		for _, name := range open {
			if r.script(bench, name) == string(verdict.Pass) {
				require.NotEqual(t, c.script, name, "the fault passes")
				continue
			}
			if name == c.script {
				c.holds(t, r.latest())
				r.stopsAt(bench, stage, next[stage])
				return
			}
			// It may show earlier than in the script that the case is about.
			i := slices.IndexFunc(list, func(other faultCase) bool {
				return other.script == name && other.family == c.family && other.name() == c.name()
			})
			require.GreaterOrEqual(t, i, 0, "%s does not pass, and nothing says that it shows this fault", name)
			list[i].holds(t, r.latest())
			r.stopsAt(bench, stage, next[stage])
			return
		}
	}
	require.Fail(t, "the fault was found at no stage")
}

// latest is what the job's latest run told.
func (r *repair) latest() report.Run {
	r.t.Helper()
	runs := r.state().Runs
	kept, err := record.Read(r.path("data/journals/" + runs[len(runs)-1].Name + ".jsonl"))
	require.NoError(r.t, err)
	return report.Take(kept.Events)
}

// stopsAt holds that a job goes no further than a stage with a fault.
func (r *repair) stopsAt(bench, stage, next string) {
	r.t.Helper()
	oneLine(r.t, r.run(r.t, "run", next, "--here", "--bench", bench, "--job", r.id, "--operator", "Ann"), ExitConfig, "is not ready for stage")
	oneLine(r.t, r.run(r.t, "job", "release", r.id, "--by", "Bo"), ExitUsage, "is not ready for release to fit")
	if stage == "cold" {
		require.NotEmpty(r.t, r.state().Proposals)
	}
}
