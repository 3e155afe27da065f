//go:build linux

package pty

import (
	"io"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

func open(t *testing.T) (*Terminal, string) {
	t.Helper()
	terminal, path, err := Open()
	require.NoError(t, err)
	t.Cleanup(func() { terminal.Close() })
	return terminal, path
}

func client(t *testing.T, path string) *os.File {
	t.Helper()
	c, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	require.NoError(t, err)
	t.Cleanup(func() { c.Close() })
	return c
}

func readOf(t *testing.T, r io.Reader, n int) string {
	t.Helper()
	buf := make([]byte, n)
	_, err := io.ReadFull(r, buf)
	require.NoError(t, err)
	return string(buf)
}

func TestBytesPassUnchangedBothWays(t *testing.T) {
	terminal, path := open(t)
	c := client(t, path)
	all := make([]byte, 256) // line ends, controls, flow control and end-of-file characters among them
	for i := range all {
		all[i] = byte(i)
	}
	_, err := c.Write(all)
	require.NoError(t, err)
	require.Equal(t, string(all), readOf(t, terminal, 256))
	_, err = terminal.Write(all)
	require.NoError(t, err)
	require.Equal(t, string(all), readOf(t, c, 256))
}

func TestReadingGoesOnAfterTheLastClientHasClosed(t *testing.T) {
	terminal, path := open(t)
	require.NoError(t, client(t, path).Close())
	require.NoError(t, terminal.SetReadDeadline(time.Now().Add(20*time.Millisecond)))
	_, err := terminal.Read(make([]byte, 1))
	require.ErrorIs(t, err, os.ErrDeadlineExceeded, "neither an error nor an end")

	require.NoError(t, terminal.SetReadDeadline(time.Now().Add(10*time.Second)))
	_, err = client(t, path).WriteString("again")
	require.NoError(t, err)
	require.Equal(t, "again", readOf(t, terminal, 5))
}

func TestExclusiveModeOfAClientIsLifted(t *testing.T) {
	terminal, path := open(t)
	c := client(t, path)
	exclusive := func() (set int) {
		raw, err := c.SyscallConn()
		require.NoError(t, err)
		require.NoError(t, raw.Control(func(fd uintptr) {
			set, err = unix.IoctlGetInt(int(fd), unix.TIOCGEXCL)
			require.NoError(t, err)
		}))
		return set
	}
	raw, err := c.SyscallConn()
	require.NoError(t, err)
	require.NoError(t, raw.Control(func(fd uintptr) {
		require.NoError(t, unix.IoctlSetInt(int(fd), unix.TIOCEXCL, 0))
	}))
	require.NotZero(t, exclusive())
	_, err = c.WriteString("x")
	require.NoError(t, err)
	readOf(t, terminal, 1)
	require.Zero(t, exclusive())
}

func TestClosingHangsUp(t *testing.T) {
	terminal, path := open(t)
	c := client(t, path)
	ended := make(chan error, 1)
	go func() {
		_, err := c.Read(make([]byte, 1))
		ended <- err
	}()
	require.NoError(t, terminal.Close())
	select {
	case err := <-ended:
		require.Error(t, err)
	case <-time.After(10 * time.Second):
		require.FailNow(t, "the client still reads")
	}
	_, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY, 0)
	require.Error(t, err, "the path is gone")
}
