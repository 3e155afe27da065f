package station

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/script"
	"benchwarden/daemon/warden"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// BenchmarkTrip prints how long the service takes from the deciding answer to OFF: from the kernel's stamp of the
// answer as it leaves the instrument's socket until its stamp of the first byte of OFF in that socket. Loaded, four traces of a million
// points are transferred and analysed without a pause, and scripts that only compute run on eight other benches.
//
// The physical limit beside it is the same way through bare sockets: a goroutine that waits in Read and writes at once.
//
//	go test ./daemon/station -run '^$' -bench Trip -benchtime 20000x -timeout 30m
//
// Aims, without privileges: p99 350 us idle, 1 ms loaded; p99.9 2 ms loaded.
func BenchmarkTrip(b *testing.B) {
	b.Run("idle", func(b *testing.B) { benchmarkTrips(b, func(*testing.B, *instrumentProcess, Slot) {}) })
	b.Run("loaded", func(b *testing.B) { benchmarkTrips(b, putUnderLoad) })
}

// computingBenches are there beside the one that trips.
const computingBenches = 8

// fastPeriod is that of the benches that trip: many trips in a short time.
const fastPeriod = 10 * time.Millisecond

func benchName(kind string, i int) string { return fmt.Sprintf("%s%d", kind, i) }

func benchmarkTrips(b *testing.B, load func(*testing.B, *instrumentProcess, Slot)) {
	instruments := startInstruments(b, 1+computingBenches, "tcp", 0)
	slot := NewSlot()
	load(b, instruments, slot)
	b.ResetTimer()
	bare := bareWire(b, instruments)
	var bared []passage
	for range b.N { // before the benches are polled: what shares the processors with that is no limit of the computer
		p, err := bare()
		require.NoError(b, err)
		bared = append(bared, p)
	}
	st := openFake(b, "bench", instruments.Benches[0], slot, fastPeriod)
	var limits []warden.Limit // on both, since either may be the first to see it
	for _, name := range []string{"bus.voltage", "bus_meter.voltage"} {
		limits = append(limits, warden.NewLimit(name, warden.High, quantity.Volts(100).Value(), "benchmark"),
			warden.NewLimit(name, warden.Age, quantity.Seconds(1).Value(), "benchmark"))
	}
	var passages []passage
	for range b.N {
		p, err := tripOnce(b.Context(), st, instruments, 0, limits, fastPeriod)
		require.NoError(b, err)
		passages = append(passages, p)
	}
	b.StopTimer()
	reportShares(b, untilArrived(b, passages), "us")
	var read []time.Duration
	for _, p := range passages {
		if p.Heard != 0 && p.Arrived != 0 {
			read = append(read, time.Duration(p.Arrived-p.Heard))
		}
	}
	reportShares(b, read, "us-from-read")
	reportShares(b, untilArrived(b, bared), "us-bare")
	b.ReportMetric(0, "ns/op")
}

// untilArrived leaves out what the kernel gave no stamp of, which are few.
func untilArrived(b *testing.B, passages []passage) []time.Duration {
	var all []time.Duration
	for _, p := range passages {
		if p.Arrived == 0 || p.Answered == 0 {
			continue
		}
		all = append(all, time.Duration(p.Arrived-p.Answered))
	}
	require.GreaterOrEqual(b, 1000*len(all), 995*len(passages), "the kernel stamps what arrives")
	return all
}

// bareWire is the physical limit: a goroutine asks now and then, and writes OFF as soon as the answer is there, with nothing in
// between.
func bareWire(b *testing.B, instruments *instrumentProcess) func() (passage, error) {
	c, err := net.Dial("tcp", strings.TrimPrefix(instruments.Bare, "tcp://"))
	require.NoError(b, err)
	b.Cleanup(func() { c.Close() })
	question, off, buf := []byte("?\n"), []byte("OUTP OFF\n"), make([]byte, 64)
	bare := func() (passage, error) {
		sleepFor(rand.N(20 * time.Millisecond))
		if _, err := c.Write(question); err != nil {
			return passage{}, err
		}
		if _, err := c.Read(buf); err != nil {
			return passage{}, err
		}
		if _, err := c.Write(off); err != nil {
			return passage{}, err
		}
		return <-instruments.results[len(instruments.Benches)], nil
	}
	for range 100 { // the kernel begins to stamp a while after it was asked to
		if p, err := bare(); err != nil || p.Arrived != 0 {
			break
		}
	}
	return bare
}

// reportShares reports the 50th, 99th and 99.9th percentile and the longest.
func reportShares(b *testing.B, d []time.Duration, name string) {
	if len(d) == 0 {
		return
	}
	slices.Sort(d)
	for _, part := range []struct {
		name       string
		ofThousand int
	}{{"p50", 500}, {"p99", 990}, {"p99.9", 999}, {"longest", 1000}} {
		b.ReportMetric(float64(share(d, part.ofThousand).Nanoseconds())/1000, part.name+"-"+name)
	}
}

// tripOnce arms the warden, has the reading cross at a random moment, and resets once the bench was made safe.
func tripOnce(ctx context.Context, st *Station, instruments *instrumentProcess, number int, limits []warden.Limit, within time.Duration) (passage, error) {
	events := st.cfg.Hub.Subscribe(event.Lossy)
	defer events.Close()
	if err := st.warden.Arm("benchmark", limits); err != nil {
		return passage{}, err
	}
	ready, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	if err := st.warden.AwaitReady(ready); err != nil {
		return passage{}, err
	}
	sleepFor(rand.N(within))
	if err := instruments.cross(number); err != nil {
		return passage{}, err
	}
	var p passage
	select {
	case p = <-instruments.results[number]:
	case <-time.After(10 * time.Second):
		return p, fmt.Errorf("bench %d did not trip: %v", number, st.warden.Tripped())
	}
	trip := st.warden.Tripped()
	for deadline := time.Now().Add(10 * time.Second); trip == nil && time.Now().Before(deadline); trip = st.warden.Tripped() {
		sleepFor(time.Millisecond) // OFF leaves before the trip has found its words
	}
	if trip == nil || (trip.Cause != event.OverVoltage && trip.Cause != event.OverCurrent) {
		return p, fmt.Errorf("bench %d: a trip of another cause: %+v", number, trip)
	}
	st.warden.Disarm() // a reading from before OFF that is still on its way would trip again, and rightly
	for deadline := time.Now().Add(10 * time.Second); ; sleepFor(time.Millisecond) {
		err := st.Reset("benchmark")
		if err == nil {
			break
		}
		if time.Now().After(deadline) {
			return p, err
		}
	}
	events.Close()
	p.Heard = heard(events)
	if safe := st.bench.LastSafe(); !safe.Confirmed {
		return p, fmt.Errorf("bench %d is not safe: %+v", number, safe)
	}
	return p, nil
}

// heard is when the service had read the first answer that showed the crossing, 0 if it was not told.
func heard(events *event.Subscription) (read int64) {
	for {
		e, err := events.Next(context.Background())
		if err != nil {
			return read
		}
		body, ok := e.Body.(event.Reading)
		if at := body.Arrived.UnixNano(); ok && body.Value.Number >= crossedVolts && (read == 0 || at < read) {
			read = at
		}
	}
}

// openFake is a station over a supply and a meter, being run until the benchmark ends.
func openFake(b *testing.B, name string, at places, slot Slot, period time.Duration) *Station {
	b.Helper()
	root, err := filepath.Abs("../..")
	require.NoError(b, err)
	dir := b.TempDir()
	path := filepath.Join(dir, name+".yaml")
	text := fmt.Sprintf(`bench: %s
act: {by: console, console: /dev/tty}
earthing: {bus_feed: isolated, control_common: isolated}
interlock: {acts_in_hardware: true}
emergency_stop: simulated
period: %d ms
ceilings: {voltage: 400 V, current: 10 A}
instruments:
  bus: {link: %q, dialect: plain-supply, safe: "off", voltage_range: 400 V, current_range: 10 A}
  bus_meter: {link: %q, dialect: plain-meter}
`, name, period.Milliseconds(), at.Bus, at.Meter)
	require.NoError(b, os.WriteFile(path, []byte(text), 0o600))
	file, err := bench.ReadFile(path)
	require.NoError(b, err)
	st, err := Open(b.Context(), Config{
		File: file, Families: []string{filepath.Join(root, "configs/families")}, Dialects: []string{filepath.Join(root, "configs/dialects")},
		StateDir: dir, Journals: dir, Slot: slot, Hub: event.NewHub(), Owner: "benchmark", Version: "benchmark",
	})
	require.NoError(b, err)
	life, stop := context.WithCancel(context.Background())
	closed := make(chan error, 1)
	go func() {
		err := st.Run(life)
		if life.Err() == nil {
			b.Errorf("%s ended by itself: %v", name, err)
		}
		closed <- err
	}()
	b.Cleanup(func() {
		stop()
		if err := <-closed; err != nil {
			b.Log(name, "ended:", err)
		}
	})
	return st
}

// computing is a script that does nothing but compute, for as long as a run may.
const computing = `
title = "Compute"
stage = "rails"
roles = []
checks = []

def energises(drive):
    return []

def run(drive):
    for i in range(100000000):
        i * i
`

// putUnderLoad transfers and analyses traces and computes on the other benches until the benchmark ends.
func putUnderLoad(b *testing.B, instruments *instrumentProcess, slot Slot) {
	ctx, stop := context.WithCancel(context.Background())
	var group errgroup.Group
	for range 4 {
		l, err := link.Dial(ctx, instruments.Traces, link.Options{Framer: blockOf{traceSize}})
		require.NoError(b, err)
		group.Go(func() error {
			defer l.Close()
			return analyseOn(ctx, l, slot)
		})
	}
	var others []*Station
	for i := range computingBenches {
		others = append(others, openFake(b, benchName("other", i), instruments.Benches[1+i], slot, 50*time.Millisecond))
	}
	computeOnEach(b, ctx, &group, others)
	b.Cleanup(func() {
		stop()
		if err := group.Wait(); err != nil {
			b.Error(err)
		}
	})
	runtime.GC()
}

// analyseOn reads and analyses one trace after the other.
func analyseOn(ctx context.Context, l *link.Link, slot Slot) error {
	standBack()
	var memory []byte
	for ctx.Err() == nil {
		raw, err := l.QueryInto(ctx, link.Script, "CURV?", memory)
		if err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
		memory = raw[:0]
		if err := slot.Take(ctx); err != nil {
			return nil
		}
		trace := waveform.FromUint8(raw[9:], 0.2, -16)
		trace.Step = 20e-9
		pulses := waveform.Analyse(trace, waveform.Options{})
		slot.Give()
		if pulses.Kind != waveform.Pulsing {
			return fmt.Errorf("the trace was not read as pulses: %s", pulses.Reason)
		}
	}
	return nil
}

// computeOnEach has scripts compute on the stations until ctx ends.
func computeOnEach(b *testing.B, ctx context.Context, group *errgroup.Group, stations []*Station) {
	b.Helper()
	root, err := filepath.Abs("../..")
	require.NoError(b, err)
	compute, err := script.Parse("compute.star", []byte(computing))
	require.NoError(b, err)
	family, err := drive.LoadNamed([]string{filepath.Join(root, "configs/families")}, "unknown")
	require.NoError(b, err)
	for _, st := range stations {
		group.Go(func() error { return computeOn(ctx, st, compute, family) })
	}
}

// computeOn runs the script again and again: each ends when it has used its budget of steps.
func computeOn(ctx context.Context, st *Station, compute *script.Script, family *drive.Family) error {
	standBack()
	for ctx.Err() == nil {
		r := &rig{station: st, family: family, stage: compute.Stage, unit: "benchmark"}
		if _, err := script.Run(ctx, compute, family, r, st.cfg.Slot); err == nil {
			return fmt.Errorf("%s: the computing script came to an end", st.Name())
		}
	}
	return nil
}

// blockOf frames definite blocks of one size.
type blockOf struct{ size int }

func (f blockOf) End(buf []byte) (end, next, need int, err error) {
	const header = 9
	if whole := header + f.size + 1; len(buf) < whole {
		return -1, 0, whole - len(buf), nil
	}
	if size, err := strconv.Atoi(string(buf[2:header])); err != nil || size != f.size {
		return 0, 0, 0, fmt.Errorf("a block of %d bytes, want %d (%v)", size, f.size, err)
	}
	return header + f.size, header + f.size + 1, 0, nil
}
