package waveform

import (
	"bytes"
	"fmt"
	"testing"
	"time"
)

// memoryBandwidth is how many bytes a second one core reads from memory: a block far larger than the caches is searched
// for a byte that is not there, by the runtime's own vector code.
func memoryBandwidth() (perSecond float64) {
	block := make([]byte, 256<<20)
	for i := 0; i < len(block); i += 4096 {
		block[i] = 1
	}
	best := time.Duration(1 << 62)
	for range 3 {
		start := time.Now()
		if bytes.IndexByte(block, 2) >= 0 {
			panic("found what is not there")
		}
		best = min(best, time.Since(start))
	}
	return float64(len(block)) / best.Seconds()
}

// linkBytes is what a link of 100 Mbit/s carries in a second at best, without its own overhead.
const linkBytes = 100e6 / 8

// best runs f and keeps its shortest time: on a computer that does other things besides, the mean tells of these.
func best(b *testing.B, f func()) time.Duration {
	shortest := time.Duration(1 << 62)
	for b.Loop() {
		start := time.Now()
		f()
		shortest = min(shortest, time.Since(start))
	}
	return shortest
}

// report prints million points a second and the share of the time in which as many bytes come over the link, of the mean and of
// the best run, beside what this machine reads from memory.
func report(b *testing.B, points int, bytes, bandwidth float64, shortest time.Duration) {
	mean := b.Elapsed().Seconds() / float64(b.N)
	link := float64(points) * bytes / linkBytes
	b.ReportMetric(float64(points)/mean/1e6, "Mpt/s")
	b.ReportMetric(float64(points)/shortest.Seconds()/1e6, "best-Mpt/s")
	b.ReportMetric(bandwidth/1e6, "memory-MB/s")
	b.ReportMetric(100*mean/link, "%-of-link")
	b.ReportMetric(100*shortest.Seconds()/link, "best-%-of-link")
}

// busy keeps another core at work until the benchmark ends.
func busy(b *testing.B) {
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		block := make([]byte, 8<<20)
		for {
			select {
			case <-stop:
				return
			default:
				for i := range block {
					block[i] += byte(i)
				}
			}
		}
	}()
	b.Cleanup(func() {
		close(stop)
		<-done
	})
}

// BenchmarkAnalyse prints points a second beside the bytes a second that this machine reads from memory in the same run, and
// the share that the analysis takes of the time in which the record comes over a link of 100 Mbit/s.
func BenchmarkAnalyse(b *testing.B) {
	bandwidth := memoryBandwidth()
	edge := ramp(100e-9)
	cases := []struct {
		name  string
		s     scope
		f     signal
		bytes float64 // a point, on the wire
	}{
		{"8bit_20kHz_50MSs", scope{step: 20e-9, points: 1_000_000, bits: 8, low: -14, high: 22, noise: 0.1}, train(-8, 15, edge, edge, 3e-6, 50e-6, 20e-6), 1},
		{"8bit_50_samples_a_period", scope{step: 1e-6, points: 1_000_000, bits: 8, low: -14, high: 22, noise: 0.1}, train(-8, 15, ramp(3e-6), ramp(3e-6), 3e-6, 50e-6, 20e-6), 1},
		{"16bit_20kHz_50MSs", scope{step: 20e-9, points: 1_000_000, bits: 16, low: -14, high: 22, noise: 0.1}, train(-8, 15, edge, edge, 3e-6, 50e-6, 20e-6), 2},
		{"float_20kHz_50MSs", scope{step: 20e-9, points: 1_000_000, noise: 0.1}, train(-8, 15, edge, edge, 3e-6, 50e-6, 20e-6), 4},
	}
	for _, c := range cases {
		trace := c.s.take(c.f)
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			shortest := best(b, func() {
				if p := Analyse(trace, Options{}); p.Kind != Pulsing {
					b.Fatal(p.Reason)
				}
			})
			report(b, trace.Len(), c.bytes, bandwidth, shortest)
		})
	}
}

// BenchmarkMissing is the long record of the search for rare misses: 100 ms at 2 MS/s.
func BenchmarkMissing(b *testing.B) {
	bandwidth := memoryBandwidth()
	trace := long(0.1, map[int]bool{700: true}, nil)
	b.ReportAllocs()
	for b.Loop() {
		if r := Missing(trace, 50e-6, Options{}); r.Missing != 1 {
			b.Fatal(r)
		}
	}
	b.ReportMetric(float64(trace.Len())*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mpt/s")
	b.ReportMetric(bandwidth/1e6, "memory-MB/s")
}

// BenchmarkLeg is all that is told of a leg from the records of its two gates, 1 Mpt each at 8 kHz: the pulses of both, their
// dead times, and pulses that are missing; alone, and with the other core at work.
func BenchmarkLeg(b *testing.B) {
	bandwidth := memoryBandwidth()
	edge := ramp(100e-9)
	for _, bits := range []int{8, 16} {
		const period, width, dead = 125e-6, 60e-6, 3e-6
		s := scope{start: -20e-6, step: 20e-9, points: 1_000_000, bits: bits, low: -14, high: 22, noise: 0.05, seed: 1}
		high := s.take(train(-8, 15, edge, edge, 0, period, width))
		s.seed = 2
		low := s.take(train(-8, 15, edge, edge, width+dead, period, period-width-2*dead))
		for _, other := range []string{"alone", "other_core_busy"} {
			b.Run(fmt.Sprintf("%dbit/%s", bits, other), func(b *testing.B) {
				if other != "alone" {
					busy(b)
				}
				b.ReportAllocs()
				shortest := best(b, func() {
					for _, t := range []Trace{high, low} {
						if p := Analyse(t, Options{}); p.Kind != Pulsing {
							b.Fatal(p.Reason)
						}
						if r := Missing(t, period, Options{}); r.Missing != 0 {
							b.Fatal(r)
						}
					}
					if l := Leg(high, low, middle); !l.Applicable {
						b.Fatal(l.Reason)
					}
				})
				report(b, 2*high.Len(), float64(bits)/8, bandwidth, shortest)
			})
		}
	}
}
