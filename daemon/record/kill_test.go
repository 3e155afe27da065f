package record

import (
	"bufio"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

var kills = flag.Int("kills", 12, "how many times the recording process is killed")

// writerFolder makes this test binary the process that is killed: it records runs and entries in that folder until then.
const writerFolder = "BENCHWARDEN_TEST_WRITER"

func TestMain(m *testing.M) {
	if folder := os.Getenv(writerFolder); folder != "" {
		fmt.Println("fault", writeUntilKilled(context.Background(), folder))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// writeUntilKilled tells on its standard output what it has written, after it was written.
func writeUntilKilled(ctx context.Context, folder string) error {
	b, err := Open(ctx, filepath.Join(folder, "record.db"))
	if err != nil {
		return err
	}
	journals := filepath.Join(folder, "journals")
	if _, err := b.TakeAll(ctx, journals); err != nil {
		return err
	}
	jobs, err := b.Jobs(ctx, Filter{})
	if err != nil {
		return err
	}
	var j Job
	if len(jobs) > 0 {
		j = jobs[0]
	} else if j, err = b.NewJob(ctx, Job{Family: "heron", Unit: "H-0042"}, Entry{By: "Ann", Kind: "opened", Body: json.RawMessage(`{}`)}, ""); err != nil {
		return err
	}
	for n := j.Entries; ; n++ {
		name := fmt.Sprintf("run-%08d-%d", n, os.Getpid())
		journal, err := Create(journals, name)
		if err != nil {
			return err
		}
		bodies := []event.Body{event.RunStarted{Script: "rails.star", Family: "heron", Unit: "H-0042", Job: j.ID, JobEntries: j.Entries}}
		for i := range perRun - 2 {
			bodies = append(bodies, event.Reading{Name: "bus.voltage", Value: quantity.Volts(i).Value(), Asked: at, Arrived: at})
		}
		for i, body := range append(bodies, event.RunEnded{Outcome: "pass"}) {
			if err := journal.write(event.Event{At: at.Add(time.Duration(i) * time.Second), Bench: "quay", Run: name, Body: body}); err != nil {
				return err
			}
			fmt.Println("event", name, i+1)
		}
		if err := journal.Close(); err != nil {
			return err
		}
		if _, err := b.Take(ctx, journal.Path()); err != nil {
			return err
		}
		fmt.Println("taken", name, 0)
		if j, err = b.Append(ctx, j, Entry{By: "Ann", Kind: "note", Body: json.RawMessage(`{"text":"` + name + `"}`)}, name); err != nil {
			return err
		}
		fmt.Println("entry", name, j.Entries)
	}
}

// Wherever the recording process is killed, the record is in order after the next start, has all that was told to be written,
// and has nothing twice. 200 kills: go test ./daemon/record -run Killed -kills 200
func TestKilledAnywhereNothingIsLostOrDoubled(t *testing.T) {
	r := rand.New(rand.NewPCG(5, uint64(*kills)))
	folder := t.TempDir()
	events, entries := map[string]int{}, map[string]bool{}
	for range *kills {
		killOnce(t, r, folder, events, entries)
	}
	b, err := Open(t.Context(), filepath.Join(folder, "record.db"))
	require.NoError(t, err)
	defer b.Close()
	_, err = b.TakeAll(t.Context(), filepath.Join(folder, "journals"))
	require.NoError(t, err)
	_, err = b.TakeAll(t.Context(), filepath.Join(folder, "journals"))
	require.NoError(t, err)
	v, err := b.Verify(t.Context())
	require.NoError(t, err)
	interrupted := 0
	for name, told := range events {
		h, have, err := b.Run(t.Context(), name)
		require.NoError(t, err)
		require.GreaterOrEqual(t, len(have), told, "%s lost what was written", name)
		require.LessOrEqual(t, len(have), told+1, "%s: at most the event that was being told", name)
		for i, e := range have {
			require.Equal(t, at.Add(time.Duration(i)*time.Second), e.At)
		}
		if h.Outcome == Interrupted {
			interrupted++
			require.Less(t, len(have), perRun)
		}
	}
	jobs, err := b.Jobs(t.Context(), Filter{})
	require.NoError(t, err)
	require.Len(t, jobs, 1)
	kept, err := b.Entries(t.Context(), jobs[0].ID)
	require.NoError(t, err)
	count := map[string]int{}
	for i, e := range kept {
		require.Equal(t, i+1, e.N)
		count[string(e.Body)]++
	}
	for name := range entries {
		require.Equal(t, 1, count[`{"text":"`+name+`"}`], name)
	}
	t.Logf("%d kills: %d runs (%d interrupted), %d entries, all in order", *kills, v.Runs, interrupted, v.Entries)
}

// perRun is how many events a run of the writer has.
const perRun = 300

// killOnce starts a writer, kills it somewhere, and notes what it had told.
func killOnce(t *testing.T, r *rand.Rand, folder string, events map[string]int, entries map[string]bool) {
	self, err := os.Executable()
	require.NoError(t, err)
	writer := exec.Command(self)
	writer.Env = append(os.Environ(), writerFolder+"="+folder)
	out, err := writer.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, writer.Start())
	lines := bufio.NewScanner(out)
	note := func() {
		kind, rest, _ := strings.Cut(lines.Text(), " ")
		name, number, _ := strings.Cut(rest, " ")
		switch kind {
		case "event":
			events[name], err = strconv.Atoi(number)
			require.NoError(t, err)
		case "entry":
			entries[name] = true
		case "taken":
		default:
			require.Fail(t, "the writer stopped by itself: "+lines.Text())
		}
	}
	for range 1 + r.IntN(4*perRun) { // several runs at most
		if !lines.Scan() {
			break
		}
		note()
	}
	<-time.After(time.Duration(r.IntN(3000)) * time.Microsecond) // somewhere between two lines too
	require.NoError(t, writer.Process.Kill())
	for lines.Scan() { // what was told before it died
		note()
	}
	_ = writer.Wait() // killed: its exit is no news
}
