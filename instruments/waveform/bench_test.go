package waveform

import (
	"bytes"
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
			for b.Loop() {
				if p := Analyse(trace, Options{}); p.Kind != Pulsing {
					b.Fatal(p.Reason)
				}
			}
			perSecond := float64(trace.Len()) * float64(b.N) / b.Elapsed().Seconds()
			b.ReportMetric(perSecond/1e6, "Mpt/s")
			b.ReportMetric(bandwidth/1e6, "memory-MB/s")
			b.ReportMetric(100*(linkBytes/c.bytes)/perSecond, "%-of-link")
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

// BenchmarkLeg is the dead time of two records of 1 Mpt at 8 kHz.
func BenchmarkLeg(b *testing.B) {
	high, low := leg(3e-6, 3e-6)
	b.ReportAllocs()
	for b.Loop() {
		if l := Leg(high, low, middle); !l.Applicable {
			b.Fatal(l.Reason)
		}
	}
	b.ReportMetric(float64(2*high.Len())*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mpt/s")
}
