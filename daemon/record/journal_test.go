package record

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

const run = "20261125T100000.000Z-quay-bus_ramp"

var at = time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)

// aRun is a short run from its first event to its last.
func aRun() []event.Event {
	trip := quantity.Volts(91.5).Value()
	bodies := []event.Body{
		event.RunStarted{Script: "bus_ramp.star", Title: "Bus ramp", Stage: "board", Family: "heron", Unit: "H-0042", Simulated: true,
			Identities: []event.Identity{{Role: "bus", Identity: "Quayside Simulated,supply SIMULATED,1,1.0"}}},
		event.Limits{Limits: []event.Limit{{Quantity: "bus.voltage", Kind: "high", Value: quantity.Volts(90).Value(), N: 1, M: 1, Origin: "family heron"}}},
		event.Step{Text: "Bus up to 24 V: 1.2 µs, 5.11 Ω, \"quoted\"\nnext line"},
		event.Reading{Name: "bus.voltage", Value: quantity.Volts(23.987654321).Value(), Asked: at, Arrived: at.Add(time.Millisecond), Instrument: "bus"},
		event.Reading{Name: "bus.current", Error: "no answer", Asked: at, Arrived: at, Instrument: "bus"},
		event.Trip{Cause: event.OverVoltage, Reading: &trip, Text: "bus.voltage is 91.5 V", Do: "look"},
		event.Check(verdict.Check{Name: "quiescent current", Subject: "bus", Outcome: verdict.Undecided, Reason: "no reading"}),
		event.RunEnded{Outcome: "tripped", Exit: 3, Reasons: []string{"tripped"}},
	}
	var events []event.Event
	for i, b := range bodies {
		events = append(events, event.Event{At: at.Add(time.Duration(i) * time.Second), Bench: "quay", Run: run, Body: b})
	}
	return events
}

func subscribed(events ...event.Event) *event.Subscription {
	hub := event.NewHub()
	s := hub.Subscribe(event.Lossless)
	for _, e := range events {
		hub.Emit(e)
	}
	return s
}

// kept writes a whole run and returns the journal's path.
func kept(t *testing.T) string {
	j, err := Create(filepath.Join(t.TempDir(), "journals"), run)
	require.NoError(t, err)
	require.NoError(t, j.Keep(t.Context(), run, subscribed(aRun()...)))
	require.NoError(t, j.Close())
	return j.Path()
}

func TestARunIsReadBackAsItHappened(t *testing.T) {
	got, err := Read(kept(t))
	require.NoError(t, err)
	require.Equal(t, Run{Events: aRun()}, got)
}

// A process may be killed at any byte of a journal: everything before the byte is told, the run is said to be interrupted, and
// nothing is invented.
func TestCutAtEveryByteAJournalIsReadable(t *testing.T) {
	whole, err := os.ReadFile(kept(t))
	require.NoError(t, err)
	all := aRun()
	for cut := range len(whole) + 1 {
		lines := strings.Count(string(whole[:cut]), "\n")
		got, err := read("run.jsonl", strings.NewReader(string(whole[:cut])))
		require.NoError(t, err, "cut at byte %d", cut)
		require.Len(t, got.Events, lines, "cut at byte %d", cut)
		for i, e := range got.Events {
			require.Equal(t, all[i], e)
		}
		require.Equal(t, cut < len(whole), got.Interrupted, "cut at byte %d", cut)
		require.Equal(t, cut-strings.LastIndexByte(string(whole[:cut]), '\n')-1, got.Torn, "cut at byte %d", cut)
	}
}

func TestABadLineIsNamed(t *testing.T) {
	whole, err := os.ReadFile(kept(t))
	require.NoError(t, err)
	lines := strings.SplitAfter(string(whole), "\n")
	tests := []struct{ name, text, want string }{
		{"foreign text", lines[0] + "hello\n" + lines[1], "run.jsonl:2: "},
		{"an empty line", lines[0] + lines[1] + "\n" + lines[2], "run.jsonl:3: "},
		{"a kind of a later version", lines[0] + `{"at":"2026-11-25T10:00:00Z","kind":"toast","body":{}}` + "\n", `run.jsonl:2: event of unknown kind "toast"`},
		{"two events on a line", strings.TrimSuffix(lines[0], "\n") + lines[1], "run.jsonl:1: "},
		{"zeros that a crash of the computer left", lines[0] + strings.Repeat("\x00", 100) + "\n" + lines[1], "run.jsonl:2: "},
		{"another run behind the end", string(whole) + lines[0], fmt.Sprintf("run.jsonl:%d: a run started event after the run's end", len(lines))},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := read("run.jsonl", strings.NewReader(tt.text))
			require.ErrorContains(t, err, tt.want)
			require.NotEqual(t, tt.name == "two events on a line", len(got.Events) > 0, "what stands before is told")
		})
	}
	_, err = Read(filepath.Join(t.TempDir(), "nothing.jsonl"))
	require.ErrorIs(t, err, os.ErrNotExist)
}

func TestCreate(t *testing.T) {
	folder := t.TempDir()
	j, err := Create(folder, run)
	require.NoError(t, err)
	require.NoError(t, j.Close())
	_, err = Create(folder, run)
	require.ErrorIs(t, err, os.ErrExist, "a journal is never overwritten")
	for _, bad := range []string{"", "../run", "a/b", ".."} {
		_, err = Create(folder, bad)
		require.ErrorContains(t, err, "no name for a file", "%q", bad)
	}
	occupied := filepath.Join(folder, "file")
	require.NoError(t, os.WriteFile(occupied, nil, 0o600))
	_, err = Create(occupied, run)
	require.ErrorIs(t, err, syscall.ENOTDIR)
}

func TestKeep(t *testing.T) {
	t.Run("only its own run, and nothing behind its end", func(t *testing.T) {
		j, err := Create(t.TempDir(), run)
		require.NoError(t, err)
		events := aRun()
		other := events[2]
		other.Run = "another"
		outside := events[2]
		outside.Run = ""
		late := events[2]
		require.NoError(t, j.Keep(t.Context(), run, subscribed(append(append([]event.Event{other, outside}, events...), late)...)))
		require.NoError(t, j.Close())
		got, err := Read(j.Path())
		require.NoError(t, err)
		require.Equal(t, events, got.Events)
	})
	t.Run("ends with its context, with all that was queued", func(t *testing.T) {
		j, err := Create(t.TempDir(), run)
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		events := aRun()
		require.NoError(t, j.Keep(ctx, run, subscribed(events[:3]...)))
		require.NoError(t, j.Close())
		got, err := Read(j.Path())
		require.NoError(t, err)
		require.Equal(t, Run{Events: events[:3], Interrupted: true}, got)
	})
	t.Run("ends with its subscription", func(t *testing.T) {
		j, err := Create(t.TempDir(), run)
		require.NoError(t, err)
		s := subscribed(aRun()[:3]...)
		s.Close()
		require.NoError(t, j.Keep(t.Context(), run, s))
		require.NoError(t, j.Close())
		got, err := Read(j.Path())
		require.NoError(t, err)
		require.Len(t, got.Events, 3)
	})
	t.Run("a full disk is an error, at once", func(t *testing.T) {
		full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0) // full(4): every write fails with ENOSPC
		if err != nil {
			t.Skipf("this system has no /dev/full: %v", err)
		}
		j := &Journal{path: "/dev/full", file: full}
		require.ErrorIs(t, j.Keep(t.Context(), run, subscribed(aRun()...)), syscall.ENOSPC)
		require.NoError(t, j.Close())
	})
	t.Run("a line of a disk that fills up in its middle is torn, not lost with the rest", func(t *testing.T) {
		d := &disk{room: 1000}
		j := &Journal{path: "run.jsonl", file: d}
		require.ErrorIs(t, j.Keep(t.Context(), run, subscribed(aRun()...)), syscall.ENOSPC)
		got, err := read("run.jsonl", strings.NewReader(d.text.String()))
		require.NoError(t, err)
		require.True(t, got.Interrupted)
		require.NotZero(t, got.Torn)
		require.NotEmpty(t, got.Events)
	})
	t.Run("a disk that cannot be forced is an error", func(t *testing.T) {
		broken := errors.New("input/output error")
		j := &Journal{path: "run.jsonl", file: &disk{room: 1 << 20, broken: broken}}
		require.ErrorIs(t, j.Keep(t.Context(), run, subscribed(aRun()...)), broken)
	})
}

// disk is a file in memory that fills up, and knows how much of it is safe from a crash of the computer.
type disk struct {
	mu     sync.Mutex
	text   strings.Builder
	room   int
	synced int
	syncs  int
	broken error
}

func (d *disk) Write(p []byte) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	n := min(len(p), d.room-d.text.Len())
	d.text.Write(p[:n])
	if n < len(p) {
		return n, syscall.ENOSPC
	}
	return n, nil
}

func (d *disk) Sync() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.synced = d.text.Len()
	d.syncs++
	return d.broken
}

func (d *disk) Close() error { return nil }

// unsynced is what a crash of the computer would cost now.
func (d *disk) unsynced() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.text.Len() - d.synced
}

func TestWhatIsWrittenReachesTheDiskInTime(t *testing.T) {
	keeping := func(t *testing.T, test func(*disk, func(event.Body))) {
		synctest.Test(t, func(t *testing.T) {
			hub := event.NewHub()
			events := hub.Subscribe(event.Lossless)
			d := &disk{room: 1 << 20}
			ended := make(chan error, 1)
			go func() { ended <- (&Journal{path: "run.jsonl", file: d}).Keep(t.Context(), run, events) }()
			test(d, func(b event.Body) {
				hub.Emit(event.Event{At: time.Now(), Run: run, Body: b})
				synctest.Wait()
			})
			hub.Emit(event.Event{At: time.Now(), Run: run, Body: event.RunEnded{}})
			require.NoError(t, <-ended)
			require.Zero(t, d.unsynced(), "the end of a run is on the disk when Keep returns")
		})
	}
	pass := func(d time.Duration) { <-time.After(d); synctest.Wait() }

	t.Run("also when no further event comes", func(t *testing.T) {
		keeping(t, func(d *disk, emit func(event.Body)) {
			emit(event.Step{Text: "wait for hands"})
			require.NotZero(t, d.text.Len(), "the operating system has it at once")
			pass(syncEvery - time.Nanosecond)
			require.NotZero(t, d.unsynced())
			pass(time.Nanosecond)
			require.Zero(t, d.unsynced())
			pass(time.Hour)
			require.Equal(t, 1, d.syncs, "a disk that has everything is left alone")
		})
	})
	t.Run("and not for every line of many", func(t *testing.T) {
		keeping(t, func(d *disk, emit func(event.Body)) {
			var oldest time.Time // of what is not on the disk
			for range 1000 {
				if d.unsynced() == 0 {
					oldest = time.Now()
				}
				emit(event.Reading{Name: "bus.voltage", Value: quantity.Volts(24).Value(), Asked: time.Now(), Arrived: time.Now()})
				pass(7 * time.Millisecond)
				if d.unsynced() > 0 {
					require.LessOrEqual(t, time.Since(oldest), syncEvery)
				}
			}
			require.LessOrEqual(t, d.syncs, int(7*time.Second/syncEvery))
		})
	})
}

func FuzzRead(f *testing.F) {
	var whole strings.Builder
	for _, e := range aRun() {
		line, err := json.Marshal(e)
		require.NoError(f, err)
		whole.Write(line)
		whole.WriteByte('\n')
	}
	f.Add(whole.String())
	f.Add(whole.String()[:whole.Len()/2])
	f.Add("")
	f.Add("\n")
	f.Add(`{"at":"2026-11-25T10:00:00Z","kind":"note","body":{}}` + "\n")
	f.Fuzz(func(t *testing.T, text string) {
		got, err := read("run.jsonl", strings.NewReader(text))
		lines := strings.Count(text, "\n")
		if err != nil {
			require.Less(t, len(got.Events), lines, "a bad line is no event")
			require.Contains(t, err.Error(), fmt.Sprintf("run.jsonl:%d: ", len(got.Events)+1), "the first bad line is named")
			return
		}
		require.Len(t, got.Events, lines)
		require.Equal(t, len(text)-strings.LastIndexByte(text, '\n')-1, got.Torn)
		ended := false
		for i, e := range got.Events {
			if _, ok := e.Body.(event.RunEnded); ok {
				require.Equal(t, len(got.Events)-1, i, "nothing stands behind the end")
				ended = true
			}
			_, err := json.Marshal(e)
			require.NoError(t, err, "what was read can be written")
		}
		require.Equal(t, ended, !got.Interrupted)
	})
}

// Programs are started all the time; between fork and exec each holds every file of its parent, locks included.
func TestAClosedJournalIsFreeAtOnceWhateverIsBeingStarted(t *testing.T) {
	life, stop := context.WithCancel(t.Context())
	var starting sync.WaitGroup
	defer starting.Wait()
	defer stop()
	for range 4 {
		starting.Go(func() {
			for life.Err() == nil {
				_ = exec.Command("true").Run() // where there is none, nothing is started
			}
		})
	}
	folder := t.TempDir()
	for n := range 300 {
		j, err := Create(folder, fmt.Sprintf("run-%03d", n))
		require.NoError(t, err)
		require.NoError(t, j.Close())
		f, err := os.Open(j.Path())
		require.NoError(t, err)
		require.NoError(t, unix.Flock(int(f.Fd()), unix.LOCK_SH|unix.LOCK_NB), "run %d", n)
		require.NoError(t, f.Close())
	}
}
