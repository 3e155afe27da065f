package command

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/verdict"
)

// A person who operates a bench by hand takes longer than a script's own time and than the stage's: what they do has its own time, told
// before, and what they are waited for while the bus is down, or within that time, is none of the run's. Without it the run is cut off.
func TestAPersonGetsTheTimeThatTheirHandsTake(t *testing.T) {
	t.Parallel()
	configs, scripts := t.TempDir(), t.TempDir()
	require.NoError(t, os.CopyFS(configs, os.DirFS("../../configs")))
	require.NoError(t, os.CopyFS(scripts, os.DirFS("../../scripts")))
	replace := func(path, was, is string) {
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Contains(t, string(text), was)
		require.NoError(t, os.WriteFile(path, []byte(strings.ReplaceAll(string(text), was, is)), 0o600))
	}
	replace(filepath.Join(configs, "families/wren.yaml"), "run_time: 3600 s", "run_time: 8 s")
	script := filepath.Join(scripts, "current_limit.star")
	replace(script, "longest = 60 * s", "longest = 2 * s")
	for name, tt := range map[string]struct{ act, outcome, told string }{
		"half a second for each act": {"500 ms", string(verdict.Pass), ""},
		"hardly any time is cut off": {"1 ms", "broken", "the announced time is over"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			o := simulateOptions{family: "wren", seed: 5, poor: true, fitted: true}
			runs, err := takenWith(t, configs, o, []string{script}, strings.NewReplacer("period: 200 ms", "period: 200 ms\nhand_times: {act: "+tt.act+"}").Replace)
			require.NoError(t, err)
			require.Equal(t, tt.outcome, runs[0].Ended.Outcome, telling(runs[0]))
			require.Contains(t, telling(runs[0]), tt.told)
		})
	}
}
