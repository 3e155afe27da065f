//go:build unix

package link

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"

	"golang.org/x/sys/unix"
)

// portLock is a locked file that holds the number of the process that uses a
// serial port. The system lets go of it when the process dies; the file stays.
type portLock struct {
	file *os.File
	once sync.Once
}

// lockPort locks a device under its real name, so that two paths to one device
// meet. An empty directory is the system's for temporary files.
func lockPort(dir, device string) (*portLock, error) {
	real, err := filepath.EvalSymlinks(device)
	if err != nil {
		return nil, fmt.Errorf("%s is not there: is the adapter plugged in and powered? (%w)", device, err)
	}
	if dir == "" {
		dir = os.TempDir()
	}
	path := filepath.Join(dir, "benchwarden"+strings.ReplaceAll(real, "/", "_")+".lock")
	file, err := openShared(path)
	if err != nil {
		return nil, fmt.Errorf("lock %s: %w", device, err)
	}
	if err := unix.Flock(int(file.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		defer file.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, fmt.Errorf("%s: %w by %s", device, ErrBusy, holder(file))
		}
		return nil, fmt.Errorf("lock %s with %s: %w", device, path, err)
	}
	if err := errors.Join(file.Truncate(0), write(file, strconv.Itoa(os.Getpid())+"\n")); err != nil {
		file.Close()
		return nil, fmt.Errorf("lock %s: %w", device, err)
	}
	return &portLock{file: file}, nil
}

// openShared opens a file that every user may lock. It is created by itself,
// since systems refuse O_CREAT on somebody else's file in a shared directory.
func openShared(path string) (*os.File, error) {
	for {
		file, err := os.OpenFile(path, os.O_RDWR, 0)
		if !errors.Is(err, fs.ErrNotExist) {
			return file, err
		}
		file, err = os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
		if err == nil {
			return file, errors.Join(file.Chmod(0o666)) // whatever the umask says
		}
		if !errors.Is(err, fs.ErrExist) {
			return nil, err
		}
	}
}

func write(file *os.File, text string) error {
	_, err := file.WriteAt([]byte(text), 0)
	return err
}

// holder names the process that wrote its number into the file.
func holder(file *os.File) string {
	buf := make([]byte, 32)
	n, _ := file.ReadAt(buf, 0)
	pid, err := strconv.Atoi(strings.TrimSpace(string(buf[:n])))
	switch {
	case err != nil:
		return "a process that has not said its number yet"
	case pid == os.Getpid():
		return fmt.Sprintf("this very process (%d): two roles or two benches name the same port", pid)
	}
	name, err := os.ReadFile(fmt.Sprintf("/proc/%d/comm", pid))
	if err != nil {
		return fmt.Sprintf("process %d", pid)
	}
	return fmt.Sprintf("process %d (%s)", pid, strings.TrimSpace(string(name)))
}

func (l *portLock) release() {
	if l == nil {
		return
	}
	l.once.Do(func() {
		// Closing alone leaves the lock to a child that is just being started.
		_ = unix.Flock(int(l.file.Fd()), unix.LOCK_UN)
		l.file.Close()
	})
}
