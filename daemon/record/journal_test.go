package record

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

const run = "20261125-left-rails"

func happened(bodies ...event.Body) []event.Event {
	var events []event.Event
	for i, b := range bodies {
		events = append(events, event.Event{At: time.Date(2026, 11, 25, 12, 0, i, 0, time.UTC), Bench: "left", Run: run, Body: b})
	}
	return events
}

// written journals events through a hub and returns the file.
func written(t *testing.T, events []event.Event) string {
	t.Helper()
	j, err := Create(t.TempDir(), run)
	require.NoError(t, err)
	hub := event.NewHub()
	s := hub.Subscribe(event.Lossless)
	for _, e := range events {
		hub.Emit(e)
	}
	s.Close()
	require.NoError(t, j.Keep(t.Context(), run, s))
	require.NoError(t, j.Close())
	return j.Path()
}

var wholeRun = []event.Body{
	event.RunStarted{Script: "rails.star", Unit: "WR-2210", Identities: []event.Identity{{Role: "bus", Identity: "x"}}},
	event.Reading{Name: "bus.voltage", Value: quantity.Volts(90.0123456).Value(), Asked: time.Unix(1, 0).UTC(), Arrived: time.Unix(2, 0).UTC()},
	event.Note{Text: "a note with \"quotes\",\na line and µ"},
	event.RunEnded{Outcome: "pass"},
}

func TestAJournalIsReadBackAsItHappened(t *testing.T) {
	events := happened(wholeRun...)
	got, err := Read(written(t, events))
	require.NoError(t, err)
	require.Equal(t, Run{Events: events}, got)
}

func TestOtherRunsAreNotMixedIn(t *testing.T) {
	events := happened(wholeRun...)
	stranger := event.Event{Run: "another", Body: event.Note{Text: "not ours"}}
	got, err := Read(written(t, append([]event.Event{stranger}, events...)))
	require.NoError(t, err)
	require.Equal(t, events, got.Events)
}

func TestCutOffAtAnyByteTheJournalTellsEverythingBefore(t *testing.T) {
	events := happened(wholeRun...)
	whole, err := os.ReadFile(written(t, events))
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "cut.jsonl")
	lines := 0
	for n := range len(whole) {
		if n > 0 && whole[n-1] == '\n' {
			lines++
		}
		require.NoError(t, os.WriteFile(path, whole[:n], 0o600))
		got, err := Read(path)
		require.NoError(t, err, "cut after byte %d", n)
		require.True(t, got.Interrupted)
		require.Len(t, got.Events, lines)
		if lines > 0 {
			require.Equal(t, events[:lines], got.Events)
		}
		require.Equal(t, n > 0 && whole[n-1] != '\n', got.Torn > 0)
	}
}

func TestAForeignLineIsNamed(t *testing.T) {
	path := written(t, happened(wholeRun[:2]...))
	f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	require.NoError(t, err)
	_, err = f.WriteString("not ours\n")
	require.NoError(t, err)
	require.NoError(t, f.Close())
	_, err = Read(path)
	require.ErrorContains(t, err, path+":3: ")
}

func TestARunsJournalIsNeverOverwritten(t *testing.T) {
	folder := t.TempDir()
	j, err := Create(folder, run)
	require.NoError(t, err)
	defer j.Close()
	_, err = Create(folder, run)
	require.ErrorIs(t, err, os.ErrExist)
}

func TestAFullDiskIsAnErrorAtTheFirstLine(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip("this system has no /dev/full")
	}
	j := &Journal{path: "/dev/full", file: full}
	defer j.Close()
	hub := event.NewHub()
	s := hub.Subscribe(event.Lossless)
	hub.Emit(happened(wholeRun...)[0])
	err = j.Keep(t.Context(), run, s)
	require.ErrorContains(t, err, "no space left on device")
}

func TestKeepEndsWithTheRunAndWithItsContext(t *testing.T) {
	j, err := Create(t.TempDir(), run)
	require.NoError(t, err)
	defer j.Close()
	hub := event.NewHub()
	s := hub.Subscribe(event.Lossless)
	for _, e := range happened(wholeRun...) {
		hub.Emit(e)
	}
	require.NoError(t, j.Keep(t.Context(), run, s), "the run's end ends it, the subscription is still open")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.NoError(t, j.Keep(ctx, run, s))
}

func FuzzRead(f *testing.F) {
	f.Add([]byte(`{"at":"2026-11-25T12:00:00Z","kind":"note","body":{"text":"x"}}` + "\n"))
	f.Add([]byte("\n\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		path := filepath.Join(t.TempDir(), "f.jsonl")
		require.NoError(t, os.WriteFile(path, data, 0o600))
		got, err := Read(path)
		if err == nil && got.Torn > len(data) {
			t.Fatalf("%d bytes torn of %d", got.Torn, len(data))
		}
		for _, e := range got.Events {
			if e.Body == nil {
				t.Fatal("an event without body was let through")
			}
		}
	})
}
