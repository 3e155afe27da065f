// Package metrics is what Prometheus scrapes: the last readings with their age, the limits in force, trips, runs and
// checks. A scrape reports what is known and never talks to an instrument.
package metrics

import (
	"context"
	"errors"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// Metrics collects from the event stream. Serial numbers and run names are no labels: they have no bound.
type Metrics struct {
	registry *prometheus.Registry
	trips    *prometheus.CounterVec
	runs     *prometheus.CounterVec
	checks   *prometheus.CounterVec
	lost     *prometheus.CounterVec

	mu       sync.Mutex
	readings map[key]event.Reading
	limits   map[string][]event.Limit // by bench
	safe     map[string]bool
	bus      map[string]string
}

type key struct{ bench, name string }

// New returns metrics with a registry of their own.
func New(version string) *Metrics {
	counter := func(name, help string, labels ...string) *prometheus.CounterVec {
		return prometheus.NewCounterVec(prometheus.CounterOpts{Name: name, Help: help}, labels)
	}
	m := &Metrics{
		registry: prometheus.NewRegistry(),
		trips:    counter("bench_trips_total", "Trips of the warden, by cause.", "bench", "cause"),
		runs:     counter("bench_runs_total", "Runs that ended, by outcome.", "bench", "outcome"),
		checks:   counter("bench_checks_total", "Checks that were made, by outcome.", "bench", "outcome"),
		lost:     counter("bench_instrument_links_lost_total", "Connections to an instrument that were lost.", "bench", "instrument"),
		readings: map[key]event.Reading{},
		limits:   map[string][]event.Limit{},
		safe:     map[string]bool{},
		bus:      map[string]string{},
	}
	build := prometheus.NewGauge(prometheus.GaugeOpts{Name: "benchwarden_build_info", Help: "Always 1; the label tells the version.",
		ConstLabels: prometheus.Labels{"version": version}})
	build.Set(1)
	m.registry.MustRegister(m, m.trips, m.runs, m.checks, m.lost, build)
	return m
}

// Gatherer is what a handler serves.
func (m *Metrics) Gatherer() prometheus.Gatherer { return m.registry }

// Run takes events until ctx or the subscription ends.
func (m *Metrics) Run(ctx context.Context, events *event.Subscription) error {
	for {
		e, err := events.Next(ctx)
		if err != nil {
			if ctx.Err() != nil || errors.Is(err, event.ErrEnded) {
				return nil
			}
			return err
		}
		m.take(e)
	}
}

func (m *Metrics) take(e event.Event) {
	m.mu.Lock()
	defer m.mu.Unlock()
	switch b := e.Body.(type) {
	case event.Reading:
		m.readings[key{e.Bench, b.Name}] = b
	case event.Limits:
		m.limits[e.Bench] = b.Limits
	case event.Safety:
		m.safe[e.Bench] = b.Confirmed
	case event.Bus:
		m.bus[e.Bench] = b.State
	case event.Trip:
		m.trips.WithLabelValues(e.Bench, b.Cause).Inc()
	case event.RunEnded:
		m.runs.WithLabelValues(e.Bench, b.Outcome).Inc()
	case event.Check:
		m.checks.WithLabelValues(e.Bench, string(b.Outcome)).Inc()
	case event.Link:
		if b.State == "lost" {
			m.lost.WithLabelValues(e.Bench, b.Instrument).Inc()
		}
	}
}

var unitMetrics = map[quantity.Unit]struct{ suffix, help string }{
	quantity.Volt:   {"volts", "volts"},
	quantity.Ampere: {"amperes", "amperes"},
	quantity.DegC:   {"celsius", "degrees Celsius"},
}

func readingDesc(unit, help string) *prometheus.Desc {
	return prometheus.NewDesc("bench_reading_"+unit, "Last reading in "+help+".", []string{"bench", "role", "quantity"}, nil)
}

var (
	ageDesc = prometheus.NewDesc("bench_reading_age_seconds", "Time since the question of the last reading was sent.",
		[]string{"bench", "role", "quantity"}, nil)
	safeDesc = prometheus.NewDesc("bench_outputs_confirmed_safe", "1 when the last make-safe was read back, 0 when it is NOT SAFE.",
		[]string{"bench"}, nil)
	downDesc = prometheus.NewDesc("bench_bus_down", "1 when the bus is measured down or proven by hand, else 0.", []string{"bench"}, nil)
)

func limitDesc(unit string) *prometheus.Desc {
	return prometheus.NewDesc("bench_trip_limit_"+unit, "Trip limit in force.", []string{"bench", "role", "quantity", "kind"}, nil)
}

// Describe leaves the descriptions to Collect: which readings there are depends on the benches.
func (m *Metrics) Describe(chan<- *prometheus.Desc) {}

// Collect reports the last readings, their age and the limits in force.
func (m *Metrics) Collect(out chan<- prometheus.Metric) {
	m.mu.Lock()
	defer m.mu.Unlock()
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	now := time.Now()
	for k, r := range m.readings {
		role, name, _ := strings.Cut(k.name, ".")
		gauge(ageDesc, now.Sub(r.Asked).Seconds(), k.bench, role, name)
		if u, ok := unitMetrics[r.Value.Unit]; ok && r.Error == "" && r.Text == "" {
			gauge(readingDesc(u.suffix, u.help), r.Value.Number, k.bench, role, name)
		}
	}
	for bench, limits := range m.limits {
		for _, l := range limits {
			u, ok := unitMetrics[l.Value.Unit]
			if !ok {
				continue
			}
			role, name, _ := strings.Cut(l.Quantity, ".")
			gauge(limitDesc(u.suffix), l.Value.Number, bench, role, name, l.Kind)
		}
	}
	for bench, confirmed := range m.safe {
		gauge(safeDesc, oneIf(confirmed), bench)
	}
	for bench, state := range m.bus {
		gauge(downDesc, oneIf(state == event.MeasuredDown || state == event.ProvenByHand), bench)
	}
}

func oneIf(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
