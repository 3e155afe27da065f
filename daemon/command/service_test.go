package command

import (
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestTheServiceManagerHearsOfTheDaemon starts the daemon as a service manager does, and listens as it does.
func TestTheServiceManagerHearsOfTheDaemon(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	socket := filepath.Join(p.folder, "notify")
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	require.NoError(t, err)
	defer manager.Close()
	hears := func(want string) {
		t.Helper()
		buf := make([]byte, 4096)
		require.NoError(t, manager.SetReadDeadline(time.Now().Add(patience)))
		for {
			n, err := manager.Read(buf)
			require.NoError(t, err, "the manager did not hear %s", want)
			if strings.Contains(string(buf[:n]), want) {
				return
			}
		}
	}
	file := p.simulated(t, "wren")
	p.env = append(p.env, "NOTIFY_SOCKET="+socket, "WATCHDOG_USEC=300000", variable("log")+"=json")
	s := serveBench(t, p, file)
	hears("READY=1")
	hears("WATCHDOG=1")
	hears("WATCHDOG=1")

	s.daemon.signal(syscall.SIGHUP)
	s.daemon.says(`reload: .* is unchanged`)
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(file, append(text, "# a remark\n"...), 0o600))
	s.daemon.signal(syscall.SIGHUP)
	s.daemon.says(`has changed; bench quay goes on as it is`)

	s.daemon.signal(syscall.SIGTERM)
	hears("STOPPING=1")
	require.Zero(t, s.daemon.ended(), s.daemon.output())
	logged := 0
	for line := range strings.Lines(s.daemon.output()) {
		if !strings.HasPrefix(line, "{") {
			continue
		}
		var entry map[string]any
		require.NoError(t, json.Unmarshal([]byte(line), &entry), line)
		require.Equal(t, "quay", entry["bench"])
		require.NotEmpty(t, entry["msg"])
		logged++
	}
	require.Positive(t, logged, s.daemon.output())

	p.env = append(p.env, variable("benches")+"="+file)
	safe := s.run(t, "make-safe") // as the manager's stop hook does it
	require.Regexp(t, `bus +off +confirmed`, safe.output())
}
