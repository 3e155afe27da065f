package command

import (
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/station"
)

// On a bench that is operated by hand the first thing that a run asks is to switch off what feeds, at the terminal where the run was
// started. Who goes away says so with a second Ctrl-C and is not waited for: what nobody confirmed is NOT SAFE, and nothing is energised.
func TestTheTerminalIsAskedFirstOnAPoorBench(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	path := p.path("poor.yaml")
	p.start(t, "simulate", "--family", "wren", "--poor", "--name", "quay", "--bench-file", path).says("Ctrl-C ends it")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Contains(t, string(text), "person: simulated")
	require.NoError(t, os.WriteFile(path, []byte(strings.Replace(string(text), "person: simulated", "person: bench", 1)), 0o600))

	r := p.start(t, "run", "rails", "--here", "--bench", path, "--family", "wren", "--unit", "W-1", "--operator", "Ada")
	r.says("Switch the .* supply off and confirm")
	r.signal(syscall.SIGINT)
	r.says("Ctrl-C again")
	r.signal(syscall.SIGINT)
	select {
	case <-r.done:
	case <-time.After(patience):
		require.Fail(t, "the program does not end", r.output())
	}
	require.Equal(t, station.ExitNotSafe, r.code, r.output())
	require.Contains(t, r.output(), "nobody has confirmed that it is switched off")
	require.NotContains(t, r.output(), "ENERGISE")
}
