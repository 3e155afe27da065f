package main

import (
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// imports lists every package of the module with the packages of ours that it imports, tests left out.
func imports(t *testing.T) map[string][]string {
	t.Helper()
	out, err := exec.Command("go", "list", "-f", `{{.ImportPath}} {{join .Imports " "}}`, "benchwarden/...").Output()
	require.NoError(t, err)
	all := map[string][]string{}
	for line := range strings.SplitSeq(strings.TrimSpace(string(out)), "\n") {
		fields := strings.Fields(line)
		name := strings.TrimPrefix(fields[0], "benchwarden/")
		all[name] = []string{}
		for _, imported := range fields[1:] {
			if ours, ok := strings.CutPrefix(imported, "benchwarden/"); ok {
				all[name] = append(all[name], ours)
			}
		}
	}
	require.Contains(t, all, "daemon/warden", "the list of packages is not what this test thinks")
	return all
}

func TestWhatMayDependOnWhat(t *testing.T) {
	all := imports(t)

	only := map[string][]string{
		"instruments/quantity":  {},
		"instruments/link":      {},
		"instruments/scpi":      {"instruments/quantity"},
		"instruments/coverage":  {},
		"instruments/waveform":  {"instruments/coverage", "instruments/quantity"},
		"instruments/datafile":  {"instruments/quantity"},
		"instruments/tracefile": {"instruments/quantity", "instruments/waveform"},
		"daemon/picture":        {"instruments/quantity", "instruments/waveform"},
		"daemon/verdict":        {"instruments/coverage", "instruments/quantity"},
		"daemon/event":          {"daemon/verdict", "instruments/quantity"},
		"daemon/warden":         {"daemon/event", "instruments/quantity"},
		"daemon/hands":          {"daemon/event", "instruments/quantity"},
		"daemon/record":         {"daemon/event", "daemon/verdict", "instruments/quantity"},
		"daemon/report": {"daemon/drive", "daemon/event", "daemon/job", "daemon/picture", "daemon/record", "daemon/verdict",
			"instruments/quantity", "instruments/waveform"},
		"daemon/metrics": {"daemon/event", "daemon/verdict", "instruments/quantity"},
		"daemon/drive":   {"daemon/verdict", "instruments/datafile", "instruments/quantity"},
		"daemon":         {"daemon/command"},
	}
	for name, allowed := range only {
		require.Contains(t, all, name)
		for _, imported := range all[name] {
			require.Contains(t, allowed, imported, "%s imports %s", name, imported)
		}
	}

	for name, imported := range all {
		for _, other := range imported {
			if strings.HasPrefix(name, "instruments/") {
				require.False(t, strings.HasPrefix(other, "daemon"), "%s imports %s: nothing under instruments knows the daemon", name, other)
			}
			if name != "daemon" {
				require.NotEqual(t, "daemon/command", other, "%s imports the command line", name)
			}
			// The simulation is reached over its sockets only; the command line starts it as a process of its own.
			if strings.HasPrefix(other, "instruments/simulated") && !strings.HasPrefix(name, "instruments/simulated") {
				require.Equal(t, "daemon/command", name, "%s reaches into the simulation", name)
			}
		}
	}
	for _, imported := range all["daemon/job"] {
		require.NotContains(t, []string{"daemon/station", "daemon/server", "daemon/bench", "daemon/warden", "daemon/hands"}, imported, "a job knows no bench")
	}
	for _, imported := range all["daemon/script"] {
		require.NotContains(t, []string{"daemon/warden", "daemon/bench", "daemon/hands"}, imported, "a script has no way around Rig")
	}
	for _, imported := range all["daemon/bench"] {
		require.NotContains(t, []string{"daemon/warden", "daemon/hands", "daemon/script"}, imported)
	}
}
