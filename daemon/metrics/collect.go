package metrics

import (
	"math"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// unitMetrics are the units that are exported, by the base units that the naming conventions list.
var unitMetrics = map[quantity.Unit]struct{ suffix, help string }{
	quantity.Volt:   {"volts", "volts"},
	quantity.Ampere: {"amperes", "amperes"},
	quantity.DegC:   {"celsius", "degrees Celsius"},
	quantity.Second: {"seconds", "seconds"},
}

func readingDesc(unit, help string) *prometheus.Desc {
	return prometheus.NewDesc("bench_reading_"+unit, "Last reading in "+help+".", []string{"bench", "role", "quantity"}, nil)
}

func limitDesc(unit, help string) *prometheus.Desc {
	return prometheus.NewDesc("bench_trip_limit_"+unit, "Trip limit in force, in "+help+".", []string{"bench", "role", "quantity", "kind"}, nil)
}

var (
	ageDesc = prometheus.NewDesc("bench_reading_age_seconds", "Time since the question of the last good reading was sent.",
		[]string{"bench", "role", "quantity"}, nil)
	safeDesc = prometheus.NewDesc("bench_outputs_confirmed_safe", "1 when the last make-safe was read back, 0 when it is NOT SAFE.",
		[]string{"bench"}, nil)
	downDesc = prometheus.NewDesc("bench_bus_down", "1 when the bus is measured down or proven by hand, else 0.", []string{"bench"}, nil)
)

// Describe leaves the descriptions to Collect: which readings there are depends on the benches.
func (m *Metrics) Describe(chan<- *prometheus.Desc) {}

// Collect reports the last readings, their age and the limits in force.
func (m *Metrics) Collect(out chan<- prometheus.Metric) {
	m.mu.Lock()
	defer m.mu.Unlock()
	now := time.Now()
	for name, b := range m.benches {
		b.collect(name, now, func(d *prometheus.Desc, v float64, labels ...string) {
			out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
		})
	}
}

func (b *bench) collect(name string, now time.Time, gauge func(d *prometheus.Desc, v float64, labels ...string)) {
	for reading, r := range b.readings {
		role, of, _ := strings.Cut(reading, ".")
		gauge(ageDesc, now.Sub(r.Asked).Seconds(), name, role, of)
		if u, ok := unitMetrics[r.Value.Unit]; ok && r.Text == "" && finite(r.Value.Number) {
			gauge(readingDesc(u.suffix, u.help), r.Value.Number, name, role, of)
		}
	}
	for _, l := range tightest(b.limits) {
		if u, ok := unitMetrics[l.Value.Unit]; ok {
			role, of, _ := strings.Cut(l.Quantity, ".")
			gauge(limitDesc(u.suffix, u.help), l.Value.Number, name, role, of, l.Kind)
		}
	}
	if b.safe != nil {
		gauge(safeDesc, oneIf(*b.safe), name)
	}
	if b.down != nil {
		gauge(downDesc, oneIf(*b.down), name)
	}
}

// tightest leaves one limit of each kind for a quantity: two samples with the same labels would spoil the whole scrape.
func tightest(limits []event.Limit) []event.Limit {
	type key struct{ quantity, kind string }
	at := map[key]int{}
	var kept []event.Limit
	for _, l := range limits {
		k := key{l.Quantity, l.Kind}
		i, twice := at[k]
		switch {
		case !twice:
			at[k] = len(kept)
			kept = append(kept, l)
		case l.Value.Number < kept[i].Value.Number:
			kept[i] = l
		}
	}
	return kept
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func oneIf(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
