package keeper

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// flock tries to take a file's lock; false when another open file has it.
func flock(file *os.File) (bool, error) {
	for {
		switch err := unix.Flock(int(file.Fd()), unix.LOCK_EX|unix.LOCK_NB); {
		case err == nil:
			return true, nil
		case errors.Is(err, unix.EWOULDBLOCK):
			return false, nil
		case !errors.Is(err, unix.EINTR):
			return false, err
		}
	}
}

// started is when a process began, in the system's own count; empty where there is no such process. Source: proc(5), field 22 of
// /proc/PID/stat.
func started(pid int) string {
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return ""
	}
	_, rest, ok := strings.Cut(string(data), ") ") // the name before may hold spaces
	fields := strings.Fields(rest)
	if !ok || len(fields) < 20 {
		return ""
	}
	return fields[19]
}

// apart has a child begin a session of its own, so that what ends the daemon's terminal does not end it.
func apart() *syscall.SysProcAttr { return &syscall.SysProcAttr{Setsid: true} }

// Process is a handle on a process: it goes on meaning that process when its number is given to another.
type Process struct{ handle int }

// OpenProcess takes a handle on a process; ok is false when it is there no more, or is another than the one that began then.
func OpenProcess(pid int, began string) (p *Process, ok bool, err error) {
	handle, err := unix.PidfdOpen(pid, 0)
	if errors.Is(err, unix.ESRCH) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, fmt.Errorf("process %d: %w", pid, err)
	}
	if now := started(pid); now == "" || began != "" && now != began {
		unix.Close(handle)
		return nil, false, nil
	}
	return &Process{handle}, true, nil
}

// End kills the process and waits until it is gone; one that has ended already is no error.
func (p *Process) End(within time.Duration) error {
	err := unix.PidfdSendSignal(p.handle, unix.SIGKILL, nil, 0)
	if errors.Is(err, unix.ESRCH) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("ending the process: %w", err)
	}
	until := time.Now().Add(within)
	for {
		fds := []unix.PollFd{{Fd: int32(p.handle), Events: unix.POLLIN}}
		n, err := unix.Poll(fds, max(int(time.Until(until).Milliseconds()), 0))
		switch {
		case n > 0:
			return nil
		case err != nil && !errors.Is(err, unix.EINTR):
			return fmt.Errorf("waiting for the process to end: %w", err)
		case !time.Now().Before(until):
			return fmt.Errorf("the process does not end within %v", within)
		}
	}
}

// Close lets go of the handle.
func (p *Process) Close() error { return unix.Close(p.handle) }

// post writes a byte to a pipe and never waits: false when the pipe is full or closed.
func post(file *os.File, b byte) bool {
	raw, err := file.SyscallConn()
	if err != nil {
		return false
	}
	sent := false
	err = raw.Write(func(fd uintptr) bool {
		n, err := unix.Write(int(fd), []byte{b})
		sent = n == 1 && err == nil
		return true // full or not: nobody waits for a keeper
	})
	return sent && err == nil
}

// small makes a pipe hold few beats, so that a keeper that does not read is soon noticed.
func small(file *os.File) {
	if raw, err := file.SyscallConn(); err == nil {
		_ = raw.Control(func(fd uintptr) { _, _ = unix.FcntlInt(fd, unix.F_SETPIPE_SZ, 4096) }) // else it is noticed later
	}
}
