package hands

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// tree is a made-up table of processes.
type tree struct {
	t    *testing.T
	root processes
}

func (tr tree) process(pid, parent int, name string, terminal int64, environ ...string) {
	dir := filepath.Join(string(tr.root), strconv.Itoa(pid))
	require.NoError(tr.t, os.MkdirAll(dir, 0o700))
	stat := fmt.Sprintf("%d (%s) S %d %d %d %d -1 4194304 0 0\n", pid, name, parent, pid, pid, terminal)
	require.NoError(tr.t, os.WriteFile(filepath.Join(dir, "stat"), []byte(stat), 0o600))
	require.NoError(tr.t, os.MkdirAll(filepath.Join(dir, "fd"), 0o700))
	require.NoError(tr.t, os.Symlink(null, filepath.Join(dir, "fd", "0")))
	require.NoError(tr.t, os.WriteFile(filepath.Join(dir, "environ"), []byte(strings.Join(environ, "\x00")+"\x00"), 0o600))
}

// null is a device of every system, with its number as stat files have it: major 1, minor 3 (Linux kernel documentation,
// admin-guide/devices.txt).
const (
	null       = "/dev/null"
	nullNumber = 1<<8 | 3
)

func TestConsoleOfAProcess(t *testing.T) {
	tests := []struct {
		name    string
		console string
		grow    func(tree)
		want    string // part of the error; empty: at the bench
	}{
		{"on the console", null, func(tr tree) { tr.process(10, 1, "benchwarden", nullNumber, "HOME=/home/ines") }, ""},
		{"on any local terminal", AnyLocalTerminal, func(tr tree) { tr.process(10, 1, "benchwarden", nullNumber) }, ""},
		{"a name with brackets and spaces", null, func(tr tree) { tr.process(10, 1, "a) S 1 (b", nullNumber) }, ""},
		{"a variable that only looks like a remote shell's", null, func(tr tree) { tr.process(10, 1, "x", nullNumber, "MY_SSH_TTY=1", "A=SSH_TTY=1") }, ""},
		{"on another terminal", null, func(tr tree) { tr.process(10, 1, "benchwarden", 136<<8|2) }, "is not /dev/null"},
		{"without a terminal", AnyLocalTerminal, func(tr tree) { tr.process(10, 1, "benchwarden", 0) }, "no terminal"},
		{"no console is named", "", func(tr tree) { tr.process(10, 1, "benchwarden", nullNumber) }, "names no console"},
		{"a console that is not there", "/nowhere/tty", func(tr tree) { tr.process(10, 1, "benchwarden", nullNumber) }, "no such file"},
		{"a console that is no device", "/etc/passwd", func(tr tree) { tr.process(10, 1, "benchwarden", nullNumber) }, "is not /etc/passwd"},
		{"nobody", null, func(tree) {}, "cannot be seen"},
		{"through a remote shell", null, func(tr tree) {
			tr.process(10, 1, "benchwarden", nullNumber, "A=1", "SSH_CONNECTION=10.0.0.1 1 10.0.0.2 22")
		}, "remote shell"},
		{"with the mark of a remote terminal", AnyLocalTerminal, func(tr tree) { tr.process(10, 1, "benchwarden", nullNumber, "SSH_TTY=/dev/pts/2") }, "remote shell"},
		{"a cleaned environment does not hide the remote shell that it came from", AnyLocalTerminal, func(tr tree) {
			tr.process(10, 9, "benchwarden", nullNumber)
			tr.process(9, 8, "sh", 136<<8|2, "SSH_CLIENT=10.0.0.1")
			tr.process(8, 1, "init", 0)
		}, "remote shell"},
		{"nor does an ancestor whose environment is closed", AnyLocalTerminal, func(tr tree) {
			tr.process(10, 9, "benchwarden", nullNumber)
			tr.process(9, 8, "sh", 136<<8|2)
			tr.process(8, 1, "sshd-session", 0)
			require.NoError(tr.t, os.Remove(filepath.Join(string(tr.root), "8", "environ")))
		}, "remote shell"},
		{"a long line of ancestors ends", AnyLocalTerminal, func(tr tree) {
			tr.process(10, 9, "benchwarden", nullNumber)
			tr.process(9, 10, "sh", 136<<8|2) // a loop cannot be, and must not hang
		}, ""},
		{"without any environment nobody can tell", AnyLocalTerminal, func(tr tree) {
			tr.process(10, 1, "benchwarden", nullNumber)
			require.NoError(tr.t, os.WriteFile(filepath.Join(string(tr.root), "10", "environ"), nil, 0o600))
		}, "no environment"},
		{"answers through a pipe are no act", AnyLocalTerminal, func(tr tree) {
			tr.process(10, 1, "benchwarden", nullNumber)
			input := filepath.Join(string(tr.root), "10", "fd", "0")
			require.NoError(tr.t, os.Remove(input))
			require.NoError(tr.t, unix.Mkfifo(input, 0o600))
		}, "do not come from the terminal's keys"},
		{"nor are those from another device", null, func(tr tree) {
			tr.process(10, 1, "benchwarden", nullNumber)
			input := filepath.Join(string(tr.root), "10", "fd", "0")
			require.NoError(tr.t, os.Remove(input))
			require.NoError(tr.t, os.Symlink("/dev/zero", input))
		}, "do not come from the terminal's keys"},
		{"a closed input", null, func(tr tree) {
			tr.process(10, 1, "benchwarden", nullNumber)
			require.NoError(tr.t, os.Remove(filepath.Join(string(tr.root), "10", "fd", "0")))
		}, "cannot be seen"},
		{"a torn stat file", null, func(tr tree) {
			tr.process(10, 1, "benchwarden", nullNumber)
			require.NoError(tr.t, os.WriteFile(filepath.Join(string(tr.root), "10", "stat"), []byte("10 (benchw"), 0o600))
		}, "cannot be seen"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tr := tree{t, processes(t.TempDir())}
			tt.grow(tr)
			err := tr.root.atConsole(10, tt.console)
			if tt.want == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, tt.want)
		})
	}
}

func TestDeviceNumber(t *testing.T) {
	// proc(5): the minor number is in bits 31 to 20 and 7 to 0, the major one in bits 15 to 8.
	require.Equal(t, unix.Mkdev(136, 5), device(136<<8|5))
	require.Equal(t, unix.Mkdev(4, 1), device(4<<8|1))
	require.Equal(t, unix.Mkdev(136, 0x12345), device(0x123<<20|136<<8|0x45))
}

// pseudoTerminal opens a pair; the other end is a device that a process can have as its terminal.
func pseudoTerminal(t *testing.T) (other *os.File) {
	t.Helper()
	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Skipf("this system gives no pseudo-terminal: %v", err)
	}
	t.Cleanup(func() { master.Close() })
	require.NoError(t, unix.IoctlSetPointerInt(int(master.Fd()), unix.TIOCSPTLCK, 0))
	number, err := unix.IoctlGetInt(int(master.Fd()), unix.TIOCGPTN)
	require.NoError(t, err)
	other, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", number), os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	t.Cleanup(func() { other.Close() })
	return other
}

// onTerminal starts a process that owns a terminal, and returns once it runs.
func onTerminal(t *testing.T, terminal *os.File, environ ...string) (pid int) {
	t.Helper()
	cmd := exec.Command("sh", "-c", "echo running; cat")
	cmd.Env = append([]string{"PATH=" + os.Getenv("PATH")}, environ...)
	cmd.Stdin, cmd.Stderr = terminal, terminal
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true, Ctty: 0}
	says, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		require.NoError(t, cmd.Process.Kill())
		require.Error(t, cmd.Wait())
	})
	line, err := bufio.NewReader(says).ReadString('\n')
	require.NoError(t, err)
	require.Equal(t, "running\n", line)
	return cmd.Process.Pid
}

func TestRealTerminal(t *testing.T) {
	terminal, another := pseudoTerminal(t), pseudoTerminal(t)
	pid := onTerminal(t, terminal)
	if err := AtConsole(pid, AnyLocalTerminal); err != nil {
		t.Skipf("these tests are run through a remote shell: %v", err)
	}
	require.NoError(t, AtConsole(pid, terminal.Name()))
	require.ErrorIs(t, AtConsole(pid, another.Name()), ErrNotAtBench)

	remote := onTerminal(t, another, "SSH_CONNECTION=192.0.2.1 40000 192.0.2.2 22") // RFC 5737: addresses for documentation
	require.ErrorIs(t, AtConsole(remote, another.Name()), ErrNotAtBench)
	require.ErrorIs(t, AtConsole(remote, AnyLocalTerminal), ErrNotAtBench)
}
