package hands

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// AtConsole says whether the process pid runs on the console that the bench file names as being at the bench. A process
// that came through a remote shell is never at the bench, whatever its terminal.
//
// console is a device such as /dev/tty1; "any local terminal" takes every terminal that no remote shell opened.
func AtConsole(pid int, console string) error {
	proc := filepath.Join("/proc", strconv.Itoa(pid))
	environ, err := os.ReadFile(filepath.Join(proc, "environ"))
	if err != nil {
		return fmt.Errorf("who answers cannot be seen: %w", err)
	}
	for entry := range strings.SplitSeq(string(environ), "\x00") {
		if name, _, _ := strings.Cut(entry, "="); name == "SSH_CONNECTION" || name == "SSH_CLIENT" || name == "SSH_TTY" {
			return fmt.Errorf("this terminal came through a remote shell: %w", ErrNotAtBench)
		}
	}
	terminal, err := terminalOf(proc)
	if err != nil {
		return err
	}
	if console == AnyLocalTerminal {
		return nil
	}
	var st unix.Stat_t
	if err := unix.Stat(console, &st); err != nil {
		return fmt.Errorf("console %s of the bench file: %w", console, err)
	}
	if st.Rdev != terminal {
		return fmt.Errorf("this terminal is not %s, the console that the bench file names: %w", console, ErrNotAtBench)
	}
	return nil
}

// AnyLocalTerminal in a bench file takes every terminal on this computer that no remote shell opened.
const AnyLocalTerminal = "any local terminal"

// terminalOf reads the controlling terminal's device number, field 7 of /proc/pid/stat (proc(5)).
func terminalOf(proc string) (uint64, error) {
	stat, err := os.ReadFile(filepath.Join(proc, "stat"))
	if err != nil {
		return 0, fmt.Errorf("who answers cannot be seen: %w", err)
	}
	text := string(stat)
	fields := strings.Fields(text[strings.LastIndexByte(text, ')')+1:])
	if len(fields) < 5 {
		return 0, fmt.Errorf("%s/stat has too few fields", proc)
	}
	number, err := strconv.ParseInt(fields[4], 10, 64)
	if err != nil {
		return 0, fmt.Errorf("%s/stat: terminal %q: %w", proc, fields[4], err)
	}
	if number == 0 {
		return 0, fmt.Errorf("no terminal is attached: %w", ErrNotAtBench)
	}
	return unix.Mkdev(uint32(number>>8)&0xfff, uint32(number)&0xff|uint32(number>>12)&0xfff00), nil
}
