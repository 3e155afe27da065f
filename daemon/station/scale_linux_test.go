package station

import (
	"context"
	"fmt"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"
	"golang.org/x/sys/unix"

	"benchwarden/daemon/event"
	"benchwarden/daemon/warden"
	"benchwarden/instruments/quantity"
)

// BenchmarkScale watches 64 benches with a period of 50 ms, scripts that only compute on eight of them, and prints how old the
// readings are that the wardens judge by: at any moment (p99, aim 60 ms at most), and just before the next one comes. The period is
// the limit: a reading is as old as that when the next is asked for. It fails when readings were too old and their bench did not
// trip. The instruments are in a process of their own, and share the processors.
//
//	go test ./daemon/station -run '^$' -bench Scale -benchtime 400x     # 400 periods
func BenchmarkScale(b *testing.B) {
	const (
		benches = 64
		period  = 50 * time.Millisecond
	)
	instruments := startInstruments(b, benches, "tcp", 0)
	slot := NewSlot()
	oldest := quantity.SecondsOf(agePeriods * period).Value()
	var stations []*Station
	var heard []*event.Subscription
	for i := range benches {
		st := openFake(b, benchName("bench", i), instruments.Benches[i], slot, period)
		var limits []warden.Limit
		for _, name := range st.bench.Watched() {
			limits = append(limits, warden.NewLimit(name, warden.Age, oldest, "benchmark"))
		}
		require.NoError(b, st.warden.Arm("benchmark", limits))
		stations, heard = append(stations, st), append(heard, st.cfg.Hub.Subscribe(event.Lossless))
	}
	ctx, stop := context.WithCancel(b.Context())
	var computers errgroup.Group
	computeOnEach(b, ctx, &computers, stations[:computingBenches])

	b.ResetTimer()
	before := cpuUsed(b)
	<-time.After(time.Duration(b.N) * period)
	used := cpuUsed(b) - before
	b.StopTimer()
	stop()
	require.NoError(b, computers.Wait())

	var seen ages
	stale := 0
	for i, st := range stations {
		heard[i].Close()
		late := seen.add(heard[i], period)
		trip := st.warden.Tripped()
		if trip != nil {
			require.Equal(b, event.StaleReading, trip.Cause, "%s: %s", st.Name(), trip.Text)
			stale++
		}
		if late > agePeriods*period+4*wardenTick {
			require.NotNil(b, trip, "%s judged by a reading that was %v old", st.Name(), late)
		}
	}
	slices.Sort(seen.any)
	slices.Sort(seen.before)
	require.NotEmpty(b, seen.any)
	b.ReportMetric(ms(share(seen.any, 990)), "p99-ms-old")
	b.ReportMetric(ms(share(seen.before, 500)), "p50-ms-before-next")
	b.ReportMetric(ms(share(seen.before, 990)), "p99-ms-before-next")
	b.ReportMetric(ms(share(seen.before, 1000)), "longest-ms-before-next")
	b.ReportMetric(ms(period), "limit-ms")
	b.ReportMetric(float64(seen.missed), "periods-missed")
	b.ReportMetric(float64(stale), "stale-trips")
	b.ReportMetric(float64(len(seen.before))/float64(benches*b.N), "readings/period")
	b.ReportMetric(100*used.Seconds()/b.Elapsed().Seconds(), "%cpu-with-scripts")
	b.ReportMetric(residentMB(b), "MB")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkScaleWatching is BenchmarkScale's processor time without any script: what the wardens themselves cost.
func BenchmarkScaleWatching(b *testing.B) {
	const (
		benches = 64
		period  = 50 * time.Millisecond
	)
	instruments := startInstruments(b, benches, "tcp", 0)
	for i := range benches {
		openFake(b, benchName("bench", i), instruments.Benches[i], NewSlot(), period)
	}
	b.ResetTimer()
	before := cpuUsed(b)
	<-time.After(time.Duration(b.N) * period)
	b.ReportMetric(100*(cpuUsed(b)-before).Seconds()/b.Elapsed().Seconds(), "%cpu")
	b.ReportMetric(residentMB(b), "MB")
	b.ReportMetric(0, "ns/op")
}

// ages are how old readings became.
type ages struct {
	any    []time.Duration // at moments spread evenly over the time
	before []time.Duration // just before the next reading came
	missed int             // periods without a question, or without a good answer
}

// add takes one bench's readings and returns the age that none of them passed.
func (a *ages) add(heard *event.Subscription, period time.Duration) (oldest time.Duration) {
	last := map[string]event.Reading{}
	for {
		e, err := heard.Next(context.Background())
		if err != nil {
			return oldest
		}
		r, ok := e.Body.(event.Reading)
		if !ok || r.Error != "" {
			continue // a question without a good answer leaves the reading before it to grow older
		}
		if before, ok := last[r.Name]; ok {
			const moments = 10
			for m := range moments {
				at := before.Arrived.Add(r.Arrived.Sub(before.Arrived) * time.Duration(m) / moments)
				a.any = append(a.any, at.Sub(before.Asked))
			}
			old := r.Arrived.Sub(before.Asked)
			a.before = append(a.before, old)
			oldest = max(oldest, old)
			if gap := r.Asked.Sub(before.Asked); gap > period*3/2 {
				a.missed += int(gap.Round(period)/period) - 1
			}
		}
		last[r.Name] = r
	}
}

// share is the value that so many of a thousand do not pass; the values are sorted.
func share(sorted []time.Duration, ofThousand int) time.Duration {
	return sorted[min(len(sorted)-1, len(sorted)*ofThousand/1000)]
}

func ms(d time.Duration) float64 { return d.Seconds() * 1000 }

// cpuUsed is the processor time of this process.
func cpuUsed(b *testing.B) time.Duration {
	b.Helper()
	var u unix.Rusage
	require.NoError(b, unix.Getrusage(unix.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// residentMB is the memory of this process that is in use now, after a collection.
func residentMB(b *testing.B) float64 {
	b.Helper()
	runtime.GC()
	status, err := os.ReadFile("/proc/self/status")
	require.NoError(b, err)
	_, rest, _ := strings.Cut(string(status), "VmRSS:")
	var kB float64
	_, err = fmt.Sscan(rest, &kB)
	require.NoError(b, err)
	return kB / 1024
}
