// Package metrics is what Prometheus scrapes: the last readings with their age, the limits in force, trips, runs and
// checks. A scrape reports what is known and never talks to an instrument.
package metrics

import (
	"context"
	"errors"
	"slices"
	"sync"

	"github.com/prometheus/client_golang/prometheus"

	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
)

// Metrics collects from the event stream. Serial numbers and run names are no labels: they have no bound.
type Metrics struct {
	registry *prometheus.Registry
	trips    *prometheus.CounterVec
	runs     *prometheus.CounterVec
	checks   *prometheus.CounterVec
	lost     *prometheus.CounterVec
	errors   *prometheus.CounterVec

	mu      sync.Mutex
	benches map[string]*bench
}

// bench is what is known of one bench now.
type bench struct {
	readings map[string]event.Reading // the last good one of each name
	limits   []event.Limit            // in force
	safe     *bool
	down     *bool
}

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
		errors:   counter("bench_reading_errors_total", "Questions for a reading that brought none.", "bench", "instrument"),
		benches:  map[string]*bench{},
	}
	build := prometheus.NewGauge(prometheus.GaugeOpts{Name: "bench_build_info", Help: "Always 1; the label tells the version.",
		ConstLabels: prometheus.Labels{"version": version}})
	build.Set(1)
	m.registry.MustRegister(m, m.trips, m.runs, m.checks, m.lost, m.errors, build)
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

// other is the label of what is not among the known ones: a label must not grow without bound.
const other = "other"

var (
	runOutcomes   = []string{"pass", "fail", "undecided", "not shown", "tripped", "stopped", "broken"}
	checkOutcomes = []string{string(verdict.Pass), string(verdict.Fail), string(verdict.Undecided), string(verdict.NotShown),
		string(verdict.NotApplicable)}
)

func among(known []string, label string) string {
	if slices.Contains(known, label) {
		return label
	}
	return other
}

// of is the state of a bench. When it is first heard of, its counters begin at 0: an increase from nothing cannot be seen.
func (m *Metrics) of(name string) *bench {
	b, known := m.benches[name]
	if !known {
		b = &bench{readings: map[string]event.Reading{}}
		m.benches[name] = b
		for counter, labels := range map[*prometheus.CounterVec][]string{m.trips: event.Causes(), m.runs: runOutcomes, m.checks: checkOutcomes} {
			for _, label := range labels {
				counter.WithLabelValues(name, label)
			}
		}
	}
	return b
}

func (m *Metrics) take(e event.Event) {
	m.mu.Lock()
	defer m.mu.Unlock()
	b := m.of(e.Bench)
	switch is := e.Body.(type) {
	case event.Reading:
		if is.Error != "" { // the last good one stays, and its age goes on growing
			m.errors.WithLabelValues(e.Bench, is.Instrument).Inc()
			return
		}
		b.readings[is.Name] = is
	case event.Limits:
		b.limits = is.Limits
	case event.Safety:
		b.safe = &is.Confirmed
	case event.Bus:
		down := is.State == event.MeasuredDown || is.State == event.ProvenByHand
		b.down = &down
	case event.Trip:
		m.trips.WithLabelValues(e.Bench, among(event.Causes(), is.Cause)).Inc()
	case event.RunEnded:
		b.limits = nil // they were in force for the run
		m.runs.WithLabelValues(e.Bench, among(runOutcomes, is.Outcome)).Inc()
	case event.Check:
		m.checks.WithLabelValues(e.Bench, among(checkOutcomes, string(is.Outcome))).Inc()
	case event.Link:
		if is.State == "lost" {
			m.lost.WithLabelValues(e.Bench, is.Instrument).Inc()
		}
	}
}
