package metrics

import (
	"bytes"
	"net/http/httptest"
	"os/exec"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// busy has seen one of everything.
func busy() *Metrics {
	m := New("1.2.3")
	for _, b := range []event.Body{
		event.Reading{Name: "bus.voltage", Value: quantity.Volts(90.5).Value(), Asked: time.Now().Add(-250 * time.Millisecond)},
		event.Reading{Name: "bus.current", Value: quantity.Amperes(0.023).Value(), Asked: time.Now()},
		event.Reading{Name: "bus.mode", Text: "CV", Asked: time.Now()},
		event.Reading{Name: "bus_meter.voltage", Error: "no answer", Asked: time.Now()},
		event.Limits{Limits: []event.Limit{{Quantity: "bus.voltage", Kind: "high", Value: quantity.Volts(100).Value()}}},
		event.Trip{Cause: "over-voltage"},
		event.RunEnded{Outcome: "pass"},
		event.Check{Outcome: verdict.Fail},
		event.Check{Outcome: verdict.Fail},
		event.Link{Instrument: "scope", State: "lost"},
		event.Link{Instrument: "scope", State: "up"},
		event.Safety{Confirmed: true},
		event.Bus{State: event.MeasuredDown},
	} {
		m.take(event.Event{Bench: "left", Body: b})
	}
	return m
}

func TestWhatIsScraped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		want := `
# HELP bench_reading_age_seconds Time since the question of the last reading was sent.
# TYPE bench_reading_age_seconds gauge
bench_reading_age_seconds{bench="left",quantity="current",role="bus"} 0
bench_reading_age_seconds{bench="left",quantity="mode",role="bus"} 0
bench_reading_age_seconds{bench="left",quantity="voltage",role="bus"} 0.25
bench_reading_age_seconds{bench="left",quantity="voltage",role="bus_meter"} 0
# HELP bench_reading_volts Last reading in volts.
# TYPE bench_reading_volts gauge
bench_reading_volts{bench="left",quantity="voltage",role="bus"} 90.5
# HELP bench_reading_amperes Last reading in amperes.
# TYPE bench_reading_amperes gauge
bench_reading_amperes{bench="left",quantity="current",role="bus"} 0.023
# HELP bench_trip_limit_volts Trip limit in force.
# TYPE bench_trip_limit_volts gauge
bench_trip_limit_volts{bench="left",kind="high",quantity="voltage",role="bus"} 100
# HELP bench_trips_total Trips of the warden, by cause.
# TYPE bench_trips_total counter
bench_trips_total{bench="left",cause="over-voltage"} 1
# HELP bench_checks_total Checks that were made, by outcome.
# TYPE bench_checks_total counter
bench_checks_total{bench="left",outcome="fail"} 2
# HELP bench_runs_total Runs that ended, by outcome.
# TYPE bench_runs_total counter
bench_runs_total{bench="left",outcome="pass"} 1
# HELP bench_instrument_links_lost_total Connections to an instrument that were lost.
# TYPE bench_instrument_links_lost_total counter
bench_instrument_links_lost_total{bench="left",instrument="scope"} 1
# HELP bench_outputs_confirmed_safe 1 when the last make-safe was read back, 0 when it is NOT SAFE.
# TYPE bench_outputs_confirmed_safe gauge
bench_outputs_confirmed_safe{bench="left"} 1
# HELP bench_bus_down 1 when the bus is measured down or proven by hand, else 0.
# TYPE bench_bus_down gauge
bench_bus_down{bench="left"} 1
# HELP benchwarden_build_info Always 1; the label tells the version.
# TYPE benchwarden_build_info gauge
benchwarden_build_info{version="1.2.3"} 1
`
		require.NoError(t, testutil.GatherAndCompare(busy().Gatherer(), strings.NewReader(want)))
	})
}

// The names keep to the published conventions: base units, _total on counters, no abbreviations.
// Source: Prometheus documentation "Metric and label naming", as the client library's promlint checks it.
func TestTheNamesPassTheLinter(t *testing.T) {
	problems, err := testutil.GatherAndLint(busy().Gatherer())
	require.NoError(t, err)
	require.Empty(t, problems)

	bad := "# HELP bench_bus_millivolts x\n# TYPE bench_bus_millivolts gauge\nbench_bus_millivolts 1\n"
	problems, err = promlint.New(strings.NewReader(bad)).Lint()
	require.NoError(t, err)
	require.NotEmpty(t, problems, "the linter has to be able to fail")
}

func TestPromtoolFindsNothing(t *testing.T) {
	tool, err := exec.LookPath("promtool")
	if err != nil {
		t.Skip("promtool is not installed (Debian package prometheus)")
	}
	w := httptest.NewRecorder()
	promhttp.HandlerFor(busy().Gatherer(), promhttp.HandlerOpts{}).ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	check := exec.CommandContext(t.Context(), tool, "check", "metrics")
	check.Stdin = bytes.NewReader(w.Body.Bytes())
	out, err := check.CombinedOutput()
	require.NoError(t, err, "%s", out)
}
