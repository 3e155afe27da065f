package command

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/spf13/pflag"
	"github.com/stretchr/testify/require"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/job"
	"benchwarden/daemon/report"
	"benchwarden/daemon/station"
	"benchwarden/daemon/verdict"
)

// oneJob is a shop with one job, whose drive may be soaked.
type oneJob struct {
	family string
	before job.Part // what may be continued; zero: nothing
}

func (j oneJob) Permit(context.Context, string, string) (job.Work, error) {
	return job.Work{Job: "Q-1", Family: j.family, Unit: "test"}, nil
}
func (j oneJob) CountStandIn(context.Context, string, string, string, int, string) error { return nil }
func (j oneJob) Take(context.Context, string) error                                      { return nil }
func (j oneJob) CutOff(context.Context, string, string) (job.Part, error) {
	if j.before.Run == "" {
		return job.Part{}, errors.New("nothing to continue")
	}
	return j.before, nil
}

// quickly are family files of drives with small heat sinks, soaked for seconds: what is simulated takes its time from them.
func quickly(t *testing.T) string {
	t.Helper()
	configs := t.TempDir()
	require.NoError(t, os.CopyFS(configs, os.DirFS("../../configs")))
	short := strings.NewReplacer("duration: 1800 s", "duration: 15 s", "every: 1 s", "every: 200 ms",
		"time_constant: 180 s", "time_constant: 3 s", "time_constant: 120 s", "time_constant: 3 s", "time_constant: 240 s", "time_constant: 3 s")
	for _, name := range allFamilies {
		path := filepath.Join(configs, "families", name+".yaml")
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(path, []byte(short.Replace(string(text))), 0o600))
	}
	return configs
}

// soaked soaks a fitted drive on a bench of its own.
func soaked(t *testing.T, configs string, shop oneJob, order station.Order, faults ...string) (report.Run, error) {
	t.Helper()
	s, err := newSettings(pflag.NewFlagSet("test", pflag.ContinueOnError)).read()
	require.NoError(t, err)
	dir := t.TempDir()
	s.Configs, s.Scripts, s.Data, s.Countdown = configs, "../../scripts", dir, 0
	sim, err := startSimulation(context.WithoutCancel(t.Context()), s, simulateOptions{
		family: shop.family, name: "test", seed: 5, fitted: true, faults: faults, benchFile: filepath.Join(dir, "bench.yaml"),
	})
	require.NoError(t, err)
	defer sim.stop()
	require.NoError(t, slowly(sim.benchFile))
	file, err := bench.ReadFile(sim.benchFile)
	require.NoError(t, err)
	cfg := stationConfig(s, file, event.NewHub(), station.NewSlot(), "test")
	cfg.Jobs = shop
	st, err := station.Open(t.Context(), cfg)
	require.NoError(t, err)
	life, stop := context.WithCancel(t.Context())
	closed := make(chan error, 1)
	go func() { closed <- st.Run(life) }()
	order.Script, order.Job, order.Operator = "soak", "Q-1", "test"
	r, err := recorded(t.Context(), st, order)
	stop()
	return r, errors.Join(err, <-closed)
}

func TestSoak(t *testing.T) {
	t.Parallel()
	configs := quickly(t)
	for _, c := range []struct {
		family, fault, names string
		outcome              verdict.Outcome
		thorough             bool
	}{
		{family: "heron", outcome: verdict.Pass, thorough: true},
		{family: "plover", outcome: verdict.Pass},
		{family: "wren", outcome: verdict.Pass, thorough: true},
		{family: "heron", fault: "fan_dead", names: "the fan does not turn", outcome: verdict.Fail, thorough: true},
		{family: "plover", fault: "fan_dead", names: "the fan does not turn", outcome: verdict.Fail},
		{family: "wren", fault: "temperature_rising", names: "its temperature rises too fast", outcome: verdict.Fail},
		{family: "heron", fault: "temperature_rising", names: "its temperature rises too fast", outcome: verdict.Fail, thorough: true},
		{family: "plover", fault: "temperature_rising", names: "its temperature rises too fast", outcome: verdict.Fail, thorough: true},
		{family: "wren", fault: "quiescent_high@warm=12 s", names: "bus.current does not stand still", outcome: verdict.Fail},
	} {
		if c.thorough && !*everyFamily {
			continue
		}
		t.Run(c.family+" "+c.fault, func(t *testing.T) {
			t.Parallel()
			var faults []string
			if c.fault != "" {
				faults = []string{c.fault}
			}
			var r report.Run
			for range starved {
				var err error
				if r, err = soaked(t, configs, oneJob{family: c.family}, station.Order{}, faults...); err == nil && starvedBy(r) == "" {
					break
				}
				t.Logf("tried again: %v %s", err, telling(r))
			}
			require.Equal(t, string(c.outcome), r.Ended.Outcome, telling(r))
			if c.names == "" {
				require.Empty(t, r.Findings, telling(r))
				return
			}
			require.NotEmpty(t, r.Findings, telling(r))
			require.Contains(t, r.Findings[0].Text+"; "+r.Findings[0].Part, c.names, telling(r))
		})
	}
}

// TestSoakGoesOn promises that a part counts the time before and tells the gap, and that a drive that was still warm gives no rise.
func TestSoakGoesOn(t *testing.T) {
	t.Parallel()
	configs := quickly(t)
	heard := time.Now().Add(-90 * time.Second)
	var r report.Run
	for range starved {
		var err error
		before := job.Part{Run: "the-run-before", Part: 1, Done: 8, LastHeard: heard}
		if r, err = soaked(t, configs, oneJob{family: "wren", before: before}, station.Order{Continue: true}); err == nil && starvedBy(r) == "" {
			break
		}
	}
	i := slices.IndexFunc(r.Checks, func(k event.Check) bool { return k.Name == "temperature rise" })
	require.GreaterOrEqual(t, i, 0, telling(r))
	require.Equal(t, verdict.NotShown, r.Checks[i].Outcome)
	require.Equal(t, string(verdict.Undecided), r.Ended.Outcome, "a needed check is not shown in this part")

	_, err := soaked(t, configs, oneJob{family: "wren"}, station.Order{Continue: true})
	require.ErrorContains(t, err, "nothing to continue")
}
