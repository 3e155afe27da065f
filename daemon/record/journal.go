// Package record keeps what happened: one append-only journal a run, readable after a crash at any point (P7).
package record

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"benchwarden/daemon/event"
)

// syncEvery is how often a journal is forced to the disk; a crash of the computer loses no more than that.
const syncEvery = 500 * time.Millisecond

// Journal is a run's record as JSON Lines: one event a line, in the order in which they happened.
type Journal struct {
	path string
	file *os.File
}

// Create opens a new journal in folder, named by the run; an existing one is never overwritten.
func Create(folder, run string) (*Journal, error) {
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return nil, fmt.Errorf("journal: %w", err)
	}
	path := filepath.Join(folder, run+".jsonl")
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL|os.O_APPEND, 0o640)
	if err != nil {
		return nil, fmt.Errorf("journal: %w", err)
	}
	return &Journal{path: path, file: f}, nil
}

// Path is the journal's file.
func (j *Journal) Path() string { return j.path }

// Keep writes the run's events until one ends the run, the subscription ends or ctx does. Every line is handed to the
// operating system at once, so that a killed process loses nothing. An error means that the run is not being recorded:
// the caller has to make the bench safe.
func (j *Journal) Keep(ctx context.Context, run string, events *event.Subscription) error {
	synced := time.Now()
	for {
		e, err := events.Next(ctx)
		if err != nil {
			if errors.Is(err, event.ErrEnded) || ctx.Err() != nil {
				return j.sync()
			}
			return err
		}
		if e.Run != run {
			continue
		}
		if err := j.write(e); err != nil {
			return err
		}
		_, ended := e.Body.(event.RunEnded)
		if ended || time.Since(synced) >= syncEvery {
			if err := j.sync(); err != nil {
				return err
			}
			synced = time.Now()
		}
		if ended {
			return nil
		}
	}
}

func (j *Journal) write(e event.Event) error {
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

// Run is what a journal tells.
type Run struct {
	Events      []event.Event
	Interrupted bool // the journal has no end: the run was cut off after the last event
	Torn        int  // bytes of a last line that was cut off in the middle
}

// Read reads a journal back. A last line that was cut off is left out and counted; any other bad line is an error that
// names it.
func Read(path string) (Run, error) {
	f, err := os.Open(path)
	if err != nil {
		return Run{}, fmt.Errorf("journal: %w", err)
	}
	defer f.Close()
	run := Run{Interrupted: true}
	r := bufio.NewReaderSize(f, 1<<16)
	for n := 1; ; n++ {
		line, err := r.ReadBytes('\n')
		if errors.Is(err, io.EOF) {
			run.Torn = len(line)
			return run, nil
		}
		if err != nil {
			return run, fmt.Errorf("journal: %w", err)
		}
		var e event.Event
		if err := json.Unmarshal(line, &e); err != nil {
			return run, fmt.Errorf("%s:%d: %w", path, n, err)
		}
		run.Events = append(run.Events, e)
		if _, ok := e.Body.(event.RunEnded); ok {
			run.Interrupted = false
		}
	}
}
