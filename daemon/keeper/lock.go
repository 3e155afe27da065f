package keeper

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// Holder is the process that holds a bench's lock.
type Holder struct {
	Process int    `json:"process"`
	Started string `json:"started"` // the process's start as the system counts it: the number alone may have been given again
	What    string `json:"what"`    // daemon, keeper, make-safe
}

func (h Holder) String() string { return fmt.Sprintf("%s, process %d", h.What, h.Process) }

// Lock is a bench's lock. The system lets go of it when the process ends, however it ends.
type Lock struct{ file *os.File }

// ErrHeld means that another process has the bench.
var ErrHeld = errors.New("another process has the bench")

func lockPath(dir, bench string) string { return filepath.Join(dir, bench+".lock") }

// lockEvery is how often a lock that is held is tried again.
const lockEvery = 5 * time.Millisecond

// Acquire takes a bench's lock for this process, which is a what; it waits for another holder until ctx ends.
func Acquire(ctx context.Context, dir, bench, what string) (*Lock, error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("lock of bench %s: %w", bench, err)
	}
	path := lockPath(dir, bench)
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o660)
	if err != nil {
		return nil, fmt.Errorf("lock of bench %s: %w", bench, err)
	}
	for {
		taken, err := flock(file)
		if err != nil {
			file.Close()
			return nil, fmt.Errorf("lock of bench %s with %s: %w", bench, path, err)
		}
		if taken {
			break
		}
		select {
		case <-time.After(lockEvery):
		case <-ctx.Done():
			file.Close()
			who := "a process that has not said its name yet"
			if h, ok := read(path); ok {
				who = h.String()
			}
			return nil, fmt.Errorf("bench %s: %w: %s", bench, ErrHeld, who)
		}
	}
	line, err := json.Marshal(Holder{os.Getpid(), started(os.Getpid()), what})
	if err == nil {
		err = file.Truncate(0)
	}
	if err == nil {
		_, err = file.WriteAt(append(line, '\n'), 0)
	}
	if err != nil {
		file.Close()
		return nil, fmt.Errorf("lock of bench %s: %w", bench, err)
	}
	return &Lock{file}, nil
}

// Release lets go of the lock.
func (l *Lock) Release() error {
	if l == nil {
		return nil
	}
	return errors.Join(l.file.Truncate(0), l.file.Close())
}

// HolderOf says which process has a bench; ok is false when none has.
func HolderOf(dir, bench string) (h Holder, ok bool) {
	file, err := os.OpenFile(lockPath(dir, bench), os.O_RDWR, 0)
	if err != nil {
		return h, false
	}
	defer file.Close() // lets go of it where it was free
	if taken, err := flock(file); err != nil || taken {
		return h, false
	}
	return read(lockPath(dir, bench))
}

func read(path string) (h Holder, ok bool) {
	data, err := os.ReadFile(path)
	return h, err == nil && json.Unmarshal(data, &h) == nil && h.Process > 0
}
