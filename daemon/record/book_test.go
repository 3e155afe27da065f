package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

func opened(t testing.TB) *Book {
	b, err := Open(context.Background(), filepath.Join(t.TempDir(), "record.db"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	return b
}

func newJob(t testing.TB, b *Book, unit string) Job {
	j, err := b.NewJob(context.Background(), Job{Family: "heron", Unit: unit, Order: "PO-7", Symptom: "blown bridge"},
		Entry{By: "Ann", Kind: "opened", Body: json.RawMessage(`{"unit":"x"}`)}, "")
	require.NoError(t, err)
	return j
}

// aJournal writes a run as the daemon does and returns its path.
func aJournal(t testing.TB, folder, name string, events []event.Event) string {
	j, err := Create(folder, name)
	require.NoError(t, err)
	for i := range events {
		events[i].Run = name
		require.NoError(t, j.write(events[i]))
	}
	require.NoError(t, j.Close())
	return j.Path()
}

func TestAJobIsFoundAgain(t *testing.T) {
	b := opened(t)
	j := newJob(t, b, "H-0042")
	other := newJob(t, b, "H-0043")
	again, err := b.Job(t.Context(), j.ID)
	require.NoError(t, err)
	require.Equal(t, j, again)
	short, err := b.Job(t.Context(), strings.ToUpper(j.ID[len(j.ID)-4:]))
	require.NoError(t, err, "by the four letters on its tag")
	require.Equal(t, j, short)
	j, err = b.Append(t.Context(), j, Entry{By: "Bo", Kind: "note", Body: json.RawMessage(`{}`)}, "burnt varistor")
	require.NoError(t, err)
	for words, want := range map[string][]string{
		"burnt": {j.ID}, "varis": {j.ID}, "blown H-0043": {other.ID}, "blown": {other.ID, j.ID}, "nothing": {}, `"quoted" OR (`: {},
	} {
		found, err := b.Jobs(t.Context(), Filter{Words: words})
		require.NoError(t, err, words)
		ids := []string{}
		for _, f := range found {
			ids = append(ids, f.ID)
		}
		require.Equal(t, want, ids, words)
	}
	_, err = b.Job(t.Context(), "J000000-none")
	require.ErrorIs(t, err, ErrNone)
}

func TestAnEntryDecidedOnSomethingOlderIsRefused(t *testing.T) {
	b := opened(t)
	j := newJob(t, b, "H-0042")
	_, err := b.Append(t.Context(), j, Entry{By: "Ann", Kind: "replaced", Body: json.RawMessage(`{}`)}, "")
	require.NoError(t, err)
	_, err = b.Append(t.Context(), j, Entry{By: "Bo", Kind: "released to fit", Body: json.RawMessage(`{}`)}, "")
	require.ErrorIs(t, err, ErrChanged)
	entries, err := b.Entries(t.Context(), j.ID)
	require.NoError(t, err)
	require.Len(t, entries, 2)
}

// Entries keep their order when the clock is set back: they are numbered.
func TestAClockThatIsSetBackChangesNoOrder(t *testing.T) {
	b := opened(t)
	at := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	b.now = func() time.Time { at = at.Add(-time.Hour); return at }
	j := newJob(t, b, "H-0042")
	for _, kind := range []string{"note", "replaced", "closed"} {
		var err error
		j, err = b.Append(t.Context(), j, Entry{By: "Ann", Kind: kind, Body: json.RawMessage(`{}`)}, "")
		require.NoError(t, err)
	}
	entries, err := b.Entries(t.Context(), j.ID)
	require.NoError(t, err)
	var kinds []string
	for i, e := range entries {
		kinds = append(kinds, e.Kind)
		require.Equal(t, i+1, e.N)
	}
	require.Equal(t, []string{"opened", "note", "replaced", "closed"}, kinds)
	_, err = b.Verify(t.Context())
	require.NoError(t, err)
}

func TestARunIsTakenOnceAndReadBackWhole(t *testing.T) {
	b := opened(t)
	folder := t.TempDir()
	path := aJournal(t, folder, run, aRun())
	for want, times := true, 0; times < 3; times++ {
		taken, err := b.Take(t.Context(), path)
		require.NoError(t, err)
		require.Equal(t, want, taken)
		want = false
	}
	h, events, err := b.Run(t.Context(), run)
	require.NoError(t, err)
	require.Equal(t, aRun(), events)
	require.Equal(t, "tripped", h.Outcome)
	require.Equal(t, "bus_ramp", h.Script)
	require.True(t, h.Simulated)
	v, err := b.Verify(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, v.Runs)
}

func TestARunCutOffAtAnyByteIsTakenAsInterrupted(t *testing.T) {
	whole, err := os.ReadFile(aJournal(t, t.TempDir(), run, aRun()))
	require.NoError(t, err)
	b := opened(t)
	folder := t.TempDir()
	kept := 0
	for cut := 0; cut < len(whole); cut += 37 {
		name := run + strings.Repeat("x", 1+cut/37)
		text := strings.ReplaceAll(string(whole[:cut]), run, name)
		require.NoError(t, os.WriteFile(filepath.Join(folder, name+".jsonl"), []byte(text), 0o600))
		if strings.Contains(text, "\n") {
			kept++
		}
	}
	taken, err := b.TakeAll(t.Context(), folder)
	require.NoError(t, err)
	require.Len(t, taken, kept, "all but those without one whole line")
	v, err := b.Verify(t.Context())
	require.NoError(t, err)
	require.Equal(t, kept, v.Runs)
	h, events, err := b.Run(t.Context(), run+strings.Repeat("x", 1+(len(whole)-1)/37))
	require.NoError(t, err)
	require.Equal(t, Interrupted, h.Outcome)
	require.Len(t, events, len(aRun())-1)
	require.NotZero(t, h.Torn)
}

func TestAJournalThatIsBeingWrittenIsLeftAlone(t *testing.T) {
	b := opened(t)
	j, err := Create(t.TempDir(), run)
	require.NoError(t, err)
	events := aRun()
	for i := range events {
		require.NoError(t, j.write(events[i]))
	}
	taken, err := b.Take(t.Context(), j.Path())
	require.NoError(t, err)
	require.False(t, taken)
	require.NoError(t, j.Close())
	taken, err = b.Take(t.Context(), j.Path())
	require.NoError(t, err)
	require.True(t, taken)
}

func TestABadJournalKeepsNoOtherOut(t *testing.T) {
	b := opened(t)
	folder := t.TempDir()
	aJournal(t, folder, run, aRun())
	require.NoError(t, os.WriteFile(filepath.Join(folder, "20250101-bad.jsonl"), []byte("hello\n"), 0o600))
	taken, err := b.TakeAll(t.Context(), folder)
	require.ErrorContains(t, err, "20250101-bad.jsonl:1: ")
	require.Equal(t, []string{run}, taken)
	_, err = os.Stat(filepath.Join(folder, "20250101-bad.jsonl"))
	require.NoError(t, err, "it is left as it is")
}

func TestARunOfAJobThatIsNotThereWaits(t *testing.T) {
	b := opened(t)
	events := aRun()
	started := events[0].Body.(event.RunStarted)
	started.Job = "J261125-abcd"
	events[0].Body = started
	_, err := b.Take(t.Context(), aJournal(t, t.TempDir(), run, events))
	require.ErrorIs(t, err, ErrNone)
	require.ErrorContains(t, err, "J261125-abcd")
}

// What was changed with another program shows, wherever it was changed.
func TestALaterChangeShows(t *testing.T) {
	for name, change := range map[string]string{
		"an entry's body":         `DROP TRIGGER entry_is_kept; UPDATE entry SET body = '{"unit":"y"}' WHERE n = 1`,
		"an entry's author":       `DROP TRIGGER entry_is_kept; UPDATE entry SET by = 'Eve' WHERE n = 2`,
		"an entry's time":         `DROP TRIGGER entry_is_kept; UPDATE entry SET at = at + 1 WHERE n = 2`,
		"a run's outcome":         `DROP TRIGGER run_is_kept; UPDATE run SET outcome = 'pass'`,
		"a run's unit":            `DROP TRIGGER run_is_kept; UPDATE run SET unit = 'H-9'`,
		"a check in history":      `UPDATE reading SET outcome = 'pass'`,
		"an entry taken out":      `DROP TRIGGER entry_stays; DELETE FROM entry WHERE n = 2`,
		"a run taken out":         `DROP TRIGGER run_stays; DELETE FROM reading; DELETE FROM run`,
		"with its link":           `DROP TRIGGER entry_stays; DELETE FROM entry WHERE n = 2; DELETE FROM chain WHERE number = 2`,
		"a link":                  `UPDATE chain SET link = 'x' WHERE number = 1`,
		"the last link":           `DELETE FROM chain WHERE number = 3`,
		"a photo":                 `UPDATE photo SET data = x'00'`,
		"an entry put in":         `INSERT INTO entry SELECT job, 9, 'new', at, by, kind, body FROM entry WHERE n = 1`,
		"the job of a run":        `DROP TRIGGER run_is_kept; UPDATE run SET job = (SELECT id FROM job)`,
		"how much a run had seen": `DROP TRIGGER run_is_kept; UPDATE run SET seen = 9`,
	} {
		t.Run(name, func(t *testing.T) {
			b := opened(t)
			j := newJob(t, b, "H-0042")
			p := NewPhoto("image/png", []byte("a picture"))
			_, err := b.Append(t.Context(), j, Entry{By: "Ann", Kind: "note", Body: json.RawMessage(`{"photos":[{"sha256":"` + p.SHA256 + `"}]}`)}, "", p)
			require.NoError(t, err)
			_, err = b.Take(t.Context(), aJournal(t, t.TempDir(), run, aRun()))
			require.NoError(t, err)
			_, err = b.Verify(t.Context())
			require.NoError(t, err)
			_, err = b.db.ExecContext(t.Context(), change)
			require.NoError(t, err)
			_, err = b.Verify(t.Context())
			require.Error(t, err)
			t.Log(err)
		})
	}
}

func TestNothingIsRewritten(t *testing.T) {
	b := opened(t)
	newJob(t, b, "H-0042")
	for _, change := range []string{`UPDATE entry SET by = 'Eve'`, `DELETE FROM entry`} {
		_, err := b.db.ExecContext(t.Context(), change)
		require.ErrorContains(t, err, "an entry is never")
	}
}

func TestAForeignOrDamagedFileIsLeftAsItIs(t *testing.T) {
	write := func(text string) func(*testing.T, string) {
		return func(t *testing.T, path string) { require.NoError(t, os.WriteFile(path, []byte(text), 0o600)) }
	}
	run := func(statement string) func(*testing.T, string) {
		return func(t *testing.T, path string) {
			db, err := sql.Open("sqlite", path)
			require.NoError(t, err)
			_, err = db.Exec(statement)
			require.NoError(t, errors.Join(err, db.Close()))
		}
	}
	for name, tt := range map[string]struct {
		make func(*testing.T, string)
		want string
	}{
		"another program's database": {run("CREATE TABLE birds (name TEXT)"), "database of another program"},
		"marked by another program":  {run("PRAGMA application_id = 7"), "database of another program"},
		"a later version":            {run("PRAGMA application_id = 1115112036; PRAGMA user_version = 99"), "later version"},
		"a text":                     {write(strings.Repeat("this is no database ", 100)), "damaged or no record"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "record.db")
			tt.make(t, path)
			before, err := os.ReadFile(path)
			require.NoError(t, err)
			_, err = Open(t.Context(), path)
			require.ErrorContains(t, err, tt.want)
			require.NotContains(t, err.Error(), "\n", "one clear line")
			after, err := os.ReadFile(path)
			require.NoError(t, err)
			require.Equal(t, before, after)
		})
	}
}

func TestADamagedPageIsTold(t *testing.T) {
	path := filepath.Join(t.TempDir(), "record.db")
	b, err := Open(t.Context(), path)
	require.NoError(t, err)
	for range 50 {
		newJob(t, b, "H-0042")
	}
	require.NoError(t, b.Close())
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	for i := len(data) / 2; i < len(data)/2+8192; i++ {
		data[i] = 0xa5
	}
	require.NoError(t, os.WriteFile(path, data, 0o600))
	b, err = Open(t.Context(), path)
	if err == nil {
		_, err = b.Verify(t.Context())
		require.NoError(t, b.Close())
	}
	require.ErrorContains(t, err, "damaged")
}

func TestAFullDiskKeepsWhatWasThere(t *testing.T) {
	folder := t.TempDir()
	if err := syscall.Mount("tmpfs", folder, "tmpfs", 0, "size=1m"); err != nil {
		t.Skipf("a small disk can only be made by root: %v", err)
	}
	t.Cleanup(func() { require.NoError(t, syscall.Unmount(folder, 0)) })
	b, err := Open(t.Context(), filepath.Join(folder, "record.db"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	j := newJob(t, b, "H-0042")
	large := NewPhoto("image/png", make([]byte, 2<<20))
	_, err = b.Append(t.Context(), j, Entry{By: "Ann", Kind: "note", Body: json.RawMessage(`{}`)}, "", large)
	require.ErrorContains(t, err, "disk is full or failing")
	v, err := b.Verify(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, v.Entries, "the entry is there whole or not at all")
	require.ErrorContains(t, b.Backup(t.Context(), filepath.Join(folder, "nothing", "backup.db")), "the record itself is untouched")
}

func TestAFolderThatCannotBeWrittenIsTold(t *testing.T) {
	if os.Geteuid() == 0 {
		folder := t.TempDir()
		if err := syscall.Mount("tmpfs", folder, "tmpfs", syscall.MS_RDONLY, ""); err != nil {
			t.Skipf("root writes everywhere, and no read-only disk can be made: %v", err)
		}
		t.Cleanup(func() { require.NoError(t, syscall.Unmount(folder, 0)) })
		_, err := Open(t.Context(), filepath.Join(folder, "record.db"))
		require.ErrorContains(t, err, "cannot be opened for writing")
		return
	}
	folder := filepath.Join(t.TempDir(), "shut")
	require.NoError(t, os.Mkdir(folder, 0o500))
	_, err := Open(t.Context(), filepath.Join(folder, "record.db"))
	require.ErrorContains(t, err, "cannot be opened for writing")
}

func TestABackupIsWholeAndNeverOverwritesOne(t *testing.T) {
	b := opened(t)
	j := newJob(t, b, "H-0042")
	path := filepath.Join(t.TempDir(), "backup.db")
	require.NoError(t, b.Backup(t.Context(), path))
	require.ErrorContains(t, b.Backup(t.Context(), path), "is there already")
	copied, err := Open(t.Context(), path)
	require.NoError(t, err)
	defer copied.Close()
	got, err := copied.Job(t.Context(), j.ID)
	require.NoError(t, err)
	require.Equal(t, j, got)
	want, err := b.Verify(t.Context())
	require.NoError(t, err)
	have, err := copied.Verify(t.Context())
	require.NoError(t, err)
	require.Equal(t, want, have)
}

func TestHistoryKeepsWhatWasSimulatedApart(t *testing.T) {
	b := opened(t)
	folder := t.TempDir()
	take := func(name, unit string, volts float64, simulated bool, outcome string) {
		reading := quantity.Volts(volts).Value()
		events := []event.Event{
			{At: at, Bench: "quay", Body: event.RunStarted{Script: "rails.star", Stage: "rails", Family: "heron", Unit: unit, Simulated: simulated}},
			{At: at, Bench: "quay", Body: event.Check{Name: "rail voltage", Subject: "logic", Outcome: "pass", Reading: &reading}},
			{At: at, Bench: "quay", Body: event.RunEnded{Outcome: outcome}},
		}
		_, err := b.Take(t.Context(), aJournal(t, folder, name, events))
		require.NoError(t, err)
	}
	take("1", "H-1", 5.01, false, "pass")
	take("2", "H-2", 4.99, false, "pass")
	take("3", "H-3", 4.20, false, "fail")
	take("4", "H-4", 9.99, true, "pass")
	spreads, err := b.Spreads(t.Context(), "heron", "rail voltage", "", "H-3", false)
	require.NoError(t, err)
	volts := func(v ...float64) (all []quantity.Value) {
		for _, v := range v {
			all = append(all, quantity.Volts(v).Value())
		}
		return all
	}
	require.Equal(t, []Spread{{Check: "rail voltage", Subject: "logic", Good: volts(4.99, 5.01), This: volts(4.20)}}, spreads)
	require.Zero(t, spreads[0].Place(spreads[0].This[0]))
	median, _ := spreads[0].Quantile(0.5)
	require.Equal(t, quantity.Volts(4.99).Value(), median)
	own, err := b.Spreads(t.Context(), "heron", "rail voltage", "logic", "H-1", false)
	require.NoError(t, err)
	require.Equal(t, volts(4.99), own[0].Good, "a unit is not compared with itself")
	simulated, err := b.Spreads(t.Context(), "heron", "rail voltage", "", "", true)
	require.NoError(t, err)
	require.Equal(t, volts(9.99), simulated[0].Good)
}

func TestFamilyHistory(t *testing.T) {
	b := opened(t)
	end := func(unit, outcome string, reopened int) {
		j := newJob(t, b, unit)
		j.Closed, j.Outcome, j.Reopened = at, outcome, reopened
		_, err := b.Append(t.Context(), j, Entry{By: "Ann", Kind: "closed", Body: json.RawMessage(`{}`)}, "")
		require.NoError(t, err)
	}
	end("H-1", "repaired", 0) // comes again below
	end("H-2", "repaired", 0)
	end("H-3", "repaired", 1)
	end("H-4", "not repaired", 0)
	end("H-1", "repaired", 0)
	newJob(t, b, "H-5")
	f, err := b.Family(t.Context(), "heron", false)
	require.NoError(t, err)
	require.Equal(t, Family{Family: "heron", Closed: 5, Repaired: 4, FirstTime: 2, Faults: []Fault{}}, f)
	require.InDelta(t, 0.5, f.FirstTimeRate(), 1e-9)
}
