package hands

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// AnyLocalTerminal in a bench file takes every terminal on this computer that no remote shell opened.
const AnyLocalTerminal = "any local terminal"

// AtConsole says whether the process pid runs on the console that the bench file names as being at the bench. A process
// that came through a remote shell is never at the bench, whatever its terminal: neither it nor any process that it
// descends from may serve a remote shell or carry the marks of one.
//
// console is a device such as /dev/tty1; AnyLocalTerminal takes every terminal that no remote shell opened.
func AtConsole(pid int, console string) error {
	return processes("/proc").atConsole(pid, console)
}

// processes is where the system tells about its processes, /proc (proc(5)).
type processes string

func (root processes) atConsole(pid int, console string) error {
	if console == "" {
		return fmt.Errorf("the bench file names no console: %w", ErrNotAtBench)
	}
	self, err := root.process(pid)
	if err != nil {
		return fmt.Errorf("who answers cannot be seen: %w", err)
	}
	if err := root.local(pid); err != nil {
		return err
	}
	if self.terminal == 0 {
		return fmt.Errorf("no terminal is attached: %w", ErrNotAtBench)
	}
	if console == AnyLocalTerminal {
		return root.typed(pid, self.terminal)
	}
	var st unix.Stat_t
	if err := unix.Stat(console, &st); err != nil {
		return fmt.Errorf("console %s of the bench file: %w: %w", console, err, ErrNotAtBench)
	}
	if st.Mode&unix.S_IFMT != unix.S_IFCHR || st.Rdev != self.terminal {
		return fmt.Errorf("this terminal is not %s, the console that the bench file names: %w", console, ErrNotAtBench)
	}
	return root.typed(pid, self.terminal)
}

// ownTerminal is /dev/tty, every process's name for its controlling terminal (Linux kernel documentation,
// admin-guide/devices.txt: major 5, minor 0).
var ownTerminal = unix.Mkdev(5, 0)

// typed says whether the process reads its answers from its terminal: what comes through a pipe or from a file is no act of
// a person.
func (root processes) typed(pid int, terminal uint64) error {
	var st unix.Stat_t
	if err := unix.Stat(root.path(pid, "fd/0"), &st); err != nil {
		return fmt.Errorf("where the answers come from cannot be seen: %w: %w", err, ErrNotAtBench)
	}
	if st.Mode&unix.S_IFMT != unix.S_IFCHR || (st.Rdev != terminal && st.Rdev != ownTerminal) {
		return fmt.Errorf("the answers do not come from the terminal's keys: %w", ErrNotAtBench)
	}
	return nil
}

// generations bounds the walk to the first process of all.
const generations = 64

// remoteShells are the programs that serve remote shells, by the names that the system gives their processes.
var remoteShells = []string{"sshd", "sshd-session", "dropbear", "mosh-server", "telnetd", "in.telnetd", "rlogind", "in.rlogind"}

var remoteMarks = []string{"SSH_CONNECTION", "SSH_CLIENT", "SSH_TTY"}

// local walks from the process to its ancestors. The environment of others may be closed to us; their names never are.
func (root processes) local(pid int) error {
	remote := fmt.Errorf("this terminal came through a remote shell: %w", ErrNotAtBench)
	for n := 0; pid > 0 && n < generations; n++ {
		environ, err := os.ReadFile(root.path(pid, "environ"))
		switch {
		case err == nil && marked(string(environ)):
			return remote
		case err != nil && n == 0:
			return fmt.Errorf("who answers cannot be seen: %w: %w", err, ErrNotAtBench)
		case len(environ) == 0 && n == 0: // of a process that has just begun, too
			return fmt.Errorf("who answers has no environment to look at: %w", ErrNotAtBench)
		}
		p, err := root.process(pid)
		if errors.Is(err, os.ErrNotExist) && n > 0 {
			return nil // the ancestor is gone, and its children with it are somebody else's
		}
		if err != nil {
			return fmt.Errorf("who answers cannot be seen: %w: %w", err, ErrNotAtBench)
		}
		if slices.Contains(remoteShells, p.name) {
			return remote
		}
		pid = p.parent
	}
	return nil
}

func marked(environ string) bool {
	for entry := range strings.SplitSeq(environ, "\x00") {
		name, _, _ := strings.Cut(entry, "=")
		if slices.Contains(remoteMarks, name) {
			return true
		}
	}
	return false
}

func (root processes) path(pid int, file string) string {
	return filepath.Join(string(root), strconv.Itoa(pid), file)
}

// process is what is known of a process.
type process struct {
	name     string
	parent   int
	terminal uint64 // device number of its controlling terminal, 0 without one
}

// process reads fields 2, 4 and 7 of a process's stat file (proc(5)); its name may hold spaces and brackets.
func (root processes) process(pid int) (process, error) {
	path := root.path(pid, "stat")
	stat, err := os.ReadFile(path)
	if err != nil {
		return process{}, err
	}
	text := string(stat)
	from, to := strings.IndexByte(text, '('), strings.LastIndexByte(text, ')')
	if from < 0 || to < from {
		return process{}, fmt.Errorf("%s: no process name", path)
	}
	fields := strings.Fields(text[to+1:])
	if len(fields) < 5 {
		return process{}, fmt.Errorf("%s has too few fields", path)
	}
	parent, err := strconv.Atoi(fields[1])
	if err != nil {
		return process{}, fmt.Errorf("%s: parent %q: %w", path, fields[1], err)
	}
	terminal, err := strconv.ParseInt(fields[4], 10, 64)
	if err != nil {
		return process{}, fmt.Errorf("%s: terminal %q: %w", path, fields[4], err)
	}
	p := process{name: text[from+1 : to], parent: parent}
	if terminal != 0 {
		p.terminal = device(uint32(terminal))
	}
	return p, nil
}

// device takes a terminal's number apart: bits 31 to 20 and 7 to 0 are the minor number, 19 to 8 the major one (proc(5)).
func device(number uint32) uint64 {
	return unix.Mkdev(number>>8&0xfff, number&0xff|number>>12&0xfff00)
}
