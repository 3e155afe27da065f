package service

import (
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// manager listens as a service manager does.
func manager(t *testing.T) (path string, heard func() string) {
	dir, err := os.MkdirTemp("", "sd")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	path = filepath.Join(dir, "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	return path, func() string {
		buf := make([]byte, 4096)
		require.NoError(t, conn.SetReadDeadline(time.Now().Add(50*time.Millisecond)))
		n, err := conn.Read(buf)
		if err != nil {
			return ""
		}
		return string(buf[:n])
	}
}

func environment(values map[string]string) func(string) string {
	return func(name string) string { return values[name] }
}

func TestTheManagerHearsOfLifeOnlyWhileEveryBenchLives(t *testing.T) {
	path, heard := manager(t)
	m, err := connect(environment(map[string]string{"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "3"}), 1)
	require.NoError(t, err)
	m.Beat(0)
	require.Empty(t, heard(), "nothing is served yet")
	require.NoError(t, m.Ready(2))
	require.Equal(t, "READY=1\nSTATUS=2 benches are served", heard())
	m.Beat(1)
	require.Equal(t, "WATCHDOG=1", heard())
	m.Beat(0)
	m.Beat(0)
	require.Empty(t, heard(), "the warden of bench 1 hangs")
	m.Beat(1)
	require.Equal(t, "WATCHDOG=1", heard())
	require.NoError(t, m.Stopping())
	require.Contains(t, heard(), "STOPPING=1")
	m.Farewell(0)
	m.Beat(1)
	require.Empty(t, heard())
	require.NoError(t, m.Close())
}

func TestSignsOfLifeComeNoOftenerThanWanted(t *testing.T) {
	path, heard := manager(t)
	m, err := connect(environment(map[string]string{"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "7"}), 7)
	require.NoError(t, err)
	require.NoError(t, m.Ready(1))
	heard()
	for range 100 {
		m.Beat(0)
	}
	require.Equal(t, "WATCHDOG=1", heard())
	require.Empty(t, heard())
}

func TestWithoutAManagerNothingIsTold(t *testing.T) {
	m, err := connect(environment(nil), 1)
	require.NoError(t, err)
	require.Nil(t, m)
	m.Beat(0)
	m.Farewell(0)
	require.NoError(t, m.Ready(1))
	require.NoError(t, m.Stopping())
	require.NoError(t, m.Close())
	path, heard := manager(t)
	m, err = connect(environment(map[string]string{"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "1000", "WATCHDOG_PID": "8"}), 7)
	require.NoError(t, err)
	require.NoError(t, m.Ready(1))
	heard()
	m.Beat(0)
	require.Empty(t, heard(), "the watchdog is another process's")
	_, err = connect(environment(map[string]string{"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "soon"}), 7)
	require.ErrorContains(t, err, "WATCHDOG_USEC=soon")
}
