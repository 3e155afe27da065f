// Package record keeps what happened: one append-only journal a run, readable after a crash at any point (P7).
package record

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"

	"benchwarden/daemon/event"
)

// syncEvery is how often a journal is forced to the disk; a crash of the computer loses no more than that. A crash of the
// program loses nothing that was written.
const syncEvery = 500 * time.Millisecond

// Journal is a run's record as JSON Lines: one event a line, in the order in which they happened.
type Journal struct {
	path  string
	file  file
	clock clock
}

// file is what a journal needs of *os.File.
type file interface {
	Write([]byte) (int, error)
	Sync() error
	Close() error
}

// locked is a file with a lock that it gives back when it is closed. Closing alone is not enough: a child that this process is just
// starting holds the file too, until it is another program, and with it the lock.
type locked struct{ *os.File }

func (f locked) Close() error {
	return errors.Join(unix.Flock(int(f.Fd()), unix.LOCK_UN), f.File.Close())
}

// Create opens a new journal in folder, named by the run; an existing one is never overwritten.
func Create(folder, run string) (*Journal, error) {
	if run == "" || filepath.Base(run) != run || !filepath.IsLocal(run) {
		return nil, fmt.Errorf("journal: %q is no name for a file", run)
	}
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return nil, fmt.Errorf("journal: %w", err)
	}
	path := filepath.Join(folder, run+".jsonl")
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL|os.O_APPEND, 0o640)
	if err != nil {
		return nil, fmt.Errorf("journal: %w", err)
	}
	// The lock says to other processes that the run is going on; it ends with this process, however that ends.
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return nil, fmt.Errorf("journal %s: %w", path, errors.Join(err, f.Close()))
	}
	if err := syncFolder(folder); err != nil {
		return nil, fmt.Errorf("journal: %w", errors.Join(err, f.Close()))
	}
	return &Journal{path: path, file: locked{f}}, nil
}

// syncFolder forces the folder's list of files to the disk: without that a new file may be gone after a crash.
func syncFolder(folder string) error {
	d, err := os.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// Path is the journal's file.
func (j *Journal) Path() string { return j.path }

// Keep writes the run's events until one ends the run, the subscription ends or ctx does. Every line is handed to the
// operating system at once, so that a killed process loses nothing, and forced to the disk within syncEvery, whether more
// events come or not. All times are the run's own, whatever becomes of the computer's clock. An error means that the run is not
// being recorded: the caller has to make the bench safe.
func (j *Journal) Keep(ctx context.Context, run string, events *event.Subscription) error {
	var due time.Time // when what was written has to be on the disk; zero: it is
	for {
		e, err := next(ctx, events, due)
		late := !due.IsZero() && !time.Now().Before(due)
		switch {
		case errors.Is(err, errDue):
		case errors.Is(err, event.ErrEnded), err != nil && ctx.Err() != nil:
			return j.sync()
		case err != nil:
			return errors.Join(err, j.sync())
		case e.Run == run:
			if err := j.write(e); err != nil {
				return err
			}
			if _, ended := e.Body.(event.RunEnded); ended {
				return j.sync()
			}
			if due.IsZero() {
				due = time.Now().Add(syncEvery)
			}
		}
		if late {
			if err := j.sync(); err != nil {
				return err
			}
			due = time.Time{}
		}
	}
}

var errDue = errors.New("what was written has to be on the disk")

// next is the next event, or errDue when none comes until due.
func next(ctx context.Context, events *event.Subscription, due time.Time) (event.Event, error) {
	if due.IsZero() {
		return events.Next(ctx)
	}
	ctx, cancel := context.WithDeadlineCause(ctx, due, errDue)
	defer cancel()
	return events.Next(ctx)
}

func (j *Journal) write(e event.Event) error {
	e, note := j.clock.kept(e)
	if note != nil {
		if err := j.append(*note); err != nil {
			return err
		}
	}
	return j.append(e)
}

func (j *Journal) append(e event.Event) error {
	line, err := json.Marshal(e)
	if err != nil {
		return fmt.Errorf("journal %s: %s event: %w", j.path, e.Kind(), err)
	}
	if _, err := j.file.Write(append(line, '\n')); err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	return nil
}

func (j *Journal) sync() error {
	if err := j.file.Sync(); err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	return nil
}

// Close closes the file.
func (j *Journal) Close() error { return j.file.Close() }
