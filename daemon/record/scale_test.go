package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

var (
	scaleJobs = flag.Int("jobs", 2000, "how many jobs the benchmarked record has; the claim is made with 100000")
	scaleFile = flag.String("scale-record", "", "keep the benchmarked record in this file")
)

const checksPerJob = 30

// shopOf makes a record of many jobs: one run of 30 checks each, ten families, one job in eight closed with a fault. The rows
// are written as takeRun writes them, many in one transaction, since each run by itself waits for the disk.
func shopOf(b *testing.B, jobs int) *Book {
	path := *scaleFile
	if path == "" {
		path = filepath.Join(b.TempDir(), "record.db")
	}
	ctx := context.Background()
	book, err := Open(ctx, path)
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, book.Close()) })
	var have int
	require.NoError(b, book.db.QueryRow(`SELECT count(*) FROM job`).Scan(&have))
	r := rand.New(rand.NewPCG(7, 8))
	symptoms := []string{"blown bridge", "trips on start", "dead", "no torque", "hums", "burnt smell", "over-current at once"}
	const batch = 500
	for from := have; from < jobs; from += batch {
		require.NoError(b, book.write(ctx, func(tx *sql.Tx) error {
			for n := from; n < min(from+batch, jobs); n++ {
				j := Job{ID: fmt.Sprintf("J%06d-%04d", n/1000, n), Family: fmt.Sprintf("family%d", n%10), Unit: fmt.Sprintf("U-%d", r.IntN(jobs)),
					Order: fmt.Sprintf("PO-%d", n), Symptom: symptoms[n%len(symptoms)], Opened: at}
				if err := insertJob(ctx, tx, j); err != nil {
					return err
				}
				if err := book.append(ctx, tx, &j, Entry{By: "Ann", Kind: "opened", Body: json.RawMessage(`{"unit":"` + j.Unit + `"}`)}, "", nil); err != nil {
					return err
				}
				if err := book.putRun(ctx, tx, Run{Events: aGoodRun(r, j, n)}); err != nil {
					return err
				}
				j.Closed, j.Outcome = at, "repaired"
				if err := book.append(ctx, tx, &j, Entry{By: "Ann", Kind: "closed", Body: json.RawMessage(`{"outcome":"repaired"}`)}, "driver replaced", nil); err != nil {
					return err
				}
			}
			return nil
		}))
	}
	return book
}

func aGoodRun(r *rand.Rand, j Job, n int) []event.Event {
	outcome := "pass"
	bodies := []event.Body{event.RunStarted{Script: "gate_sweep.star", Stage: "board", Family: j.Family, Unit: j.Unit, Job: j.ID, JobEntries: 1}}
	for c := range checksPerJob {
		v := quantity.Volts(15 + r.NormFloat64()*0.1).Value()
		check := event.Check{Name: []string{"gate level on", "gate level off", "dead time", "rise time", "duty"}[c/6],
			Subject: []string{"A.high", "A.low", "B.high", "B.low", "C.high", "C.low"}[c%6], Outcome: "pass", Reading: &v}
		if n%8 == 0 && c == n%checksPerJob {
			check.Outcome, outcome = "fail", "fail"
		}
		bodies = append(bodies, check)
	}
	var events []event.Event
	for _, body := range append(bodies, event.RunEnded{Outcome: outcome}) {
		events = append(events, event.Event{At: at, Bench: "quay", Run: fmt.Sprintf("run-%06d", n), Body: body})
	}
	return events
}

// BenchmarkShop asks a shop's record what people ask it. 100,000 jobs with 3 million checks:
//
//	go test ./daemon/record -run '^$' -bench Shop -jobs 100000 -scale-record /a/file/to/keep.db -timeout 60m
//
// The physical limit beside each figure is one read of the file's head from the page cache, which every question costs.
func BenchmarkShop(b *testing.B) {
	book := shopOf(b, *scaleJobs)
	ctx := context.Background()
	info, err := os.Stat(book.Path())
	require.NoError(b, err)
	middle := fmt.Sprintf("PO-%d", *scaleJobs/2)
	unit := "U-1"
	oneRead := readOfAPage(b, book.Path())
	for name, ask := range map[string]func() error{
		"open": func() error {
			again, err := Open(ctx, book.Path())
			if err != nil {
				return err
			}
			return again.Close()
		},
		"list":   func() error { _, err := book.Jobs(ctx, Filter{}); return err },
		"search": func() error { return found(book.Jobs(ctx, Filter{Words: middle})) },
		"search a common word": func() error {
			return found(book.Jobs(ctx, Filter{Words: "blown bridge"}))
		},
		"history unit":   func() error { _, err := book.Jobs(ctx, Filter{Unit: unit}); return err },
		"history family": func() error { _, err := book.Family(ctx, "family3", false); return err },
		"history check, one subject": func() error {
			_, err := book.Spreads(ctx, "family3", "dead time", "A.high", unit, false)
			return err
		},
		"history check, six subjects": func() error {
			_, err := book.Spreads(ctx, "family3", "dead time", "", unit, false)
			return err
		},
	} {
		b.Run(name, func(b *testing.B) {
			var took []time.Duration
			for b.Loop() {
				began := time.Now()
				require.NoError(b, ask())
				took = append(took, time.Since(began))
			}
			slices.Sort(took)
			b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "median-ms")
			b.ReportMetric(oneRead, "ns-of-one-read")
			b.ReportMetric(float64(info.Size())/float64(*scaleJobs), "file-bytes/job")
		})
	}
}

// readOfAPage is what a read of one page of the file from the page cache takes, in nanoseconds.
func readOfAPage(b *testing.B, path string) float64 {
	f, err := os.Open(path)
	require.NoError(b, err)
	defer f.Close()
	const times = 1000
	page := make([]byte, 4096)
	began := time.Now()
	for range times {
		_, err := f.ReadAt(page, 0)
		require.NoError(b, err)
	}
	return float64(time.Since(began).Nanoseconds()) / times
}

func found(jobs []Job, err error) error {
	if err == nil && len(jobs) == 0 {
		return fmt.Errorf("nothing was found")
	}
	return err
}
