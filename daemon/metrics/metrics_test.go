package metrics

import (
	"context"
	"math"
	"net/http/httptest"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// aDay is what may happen at two benches, the last thing a moment ago.
func aDay(now time.Time) []event.Event {
	volts := func(v float64) quantity.Value { return quantity.Volts(v).Value() }
	reading := func(name string, v quantity.Value, age time.Duration) event.Reading {
		role, _, _ := strings.Cut(name, ".")
		return event.Reading{Name: name, Value: v, Instrument: role, Asked: now.Add(-age), Arrived: now}
	}
	failed := reading("bus.voltage", volts(0), 0)
	failed.Error = "no answer"
	mode := reading("bus.mode", quantity.Value{}, 500*time.Millisecond)
	mode.Text = "CV"
	limit := func(name, kind string, v quantity.Value) event.Limit {
		return event.Limit{Quantity: name, Kind: kind, Value: v, N: 1, M: 1, Origin: "family heron"}
	}
	bodies := []event.Body{
		event.Limits{Limits: []event.Limit{limit("bus.voltage", "high", volts(90)), limit("bus.voltage", "high", volts(70)),
			limit("bus.voltage", "age", quantity.Seconds(0.3).Value()), limit("bus.mode", "constant current", quantity.Value{}),
			limit("run", "run time", quantity.Seconds(60).Value())}},
		reading("bus.voltage", volts(24.5), 2*time.Second), failed,
		reading("bus.current", quantity.Amperes(0.125).Value(), 500*time.Millisecond),
		reading("control.voltage", volts(math.NaN()), time.Second), mode,
		reading("temperature.value", quantity.Celsius(31).Value(), time.Second),
		event.Trip{Cause: event.OverVoltage}, event.Trip{Cause: "somebody typed this"},
		event.Check(verdict.Check{Outcome: verdict.Pass}), event.Check(verdict.Check{Outcome: verdict.Pass}),
		event.Check(verdict.Check{Outcome: verdict.NotShown}),
		event.Link{Instrument: "bus", State: "lost"}, event.Link{Instrument: "bus", State: "up"},
		event.Safety{Confirmed: true}, event.Bus{State: event.Live}, event.Bus{State: event.MeasuredDown},
		event.Prompt{Text: "no metric"},
	}
	var events []event.Event
	for _, b := range bodies {
		events = append(events, event.Event{At: now, Bench: "quay", Run: "run-1", Body: b})
	}
	for _, b := range []event.Body{
		event.Limits{Limits: []event.Limit{limit("bus.voltage", "high", volts(90))}}, event.RunEnded{Outcome: "pass"},
		event.Safety{}, event.Bus{State: event.NotProvenDown},
	} {
		events = append(events, event.Event{At: now, Bench: "rig2", Run: "run-2", Body: b})
	}
	return events
}

// scraped are metrics after a day, in the text format; virtual time keeps the ages what they are.
func scraped(t *testing.T, test func(*Metrics)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		hub := event.NewHub()
		events := hub.Subscribe(event.Lossless)
		for _, e := range aDay(time.Now()) {
			hub.Emit(e)
		}
		events.Close()
		m := New("0.1.0")
		require.NoError(t, m.Run(t.Context(), events))
		test(m)
	})
}

// text is a scrape in the text format.
func text(t *testing.T, g prometheus.Gatherer) string {
	answer := httptest.NewRecorder()
	promhttp.HandlerFor(g, promhttp.HandlerOpts{}).ServeHTTP(answer, httptest.NewRequest("GET", "/metrics", nil))
	require.Equal(t, 200, answer.Code, answer.Body)
	return answer.Body.String()
}

func TestScrape(t *testing.T) {
	scraped(t, func(m *Metrics) {
		counted := regexp.MustCompile(`(?m)^bench_(trips|runs|checks)_total\{.*\} 0\n`) // what begins at 0 is tested below
		require.Equal(t, `# HELP bench_build_info Always 1; the label tells the version.
# TYPE bench_build_info gauge
bench_build_info{version="0.1.0"} 1
# HELP bench_bus_down 1 when the bus is measured down or proven by hand, else 0.
# TYPE bench_bus_down gauge
bench_bus_down{bench="quay"} 1
bench_bus_down{bench="rig2"} 0
# HELP bench_checks_total Checks that were made, by outcome.
# TYPE bench_checks_total counter
bench_checks_total{bench="quay",outcome="not shown"} 1
bench_checks_total{bench="quay",outcome="pass"} 2
# HELP bench_instrument_links_lost_total Connections to an instrument that were lost.
# TYPE bench_instrument_links_lost_total counter
bench_instrument_links_lost_total{bench="quay",instrument="bus"} 1
# HELP bench_outputs_confirmed_safe 1 when the last make-safe was read back, 0 when it is NOT SAFE.
# TYPE bench_outputs_confirmed_safe gauge
bench_outputs_confirmed_safe{bench="quay"} 1
bench_outputs_confirmed_safe{bench="rig2"} 0
# HELP bench_reading_age_seconds Time since the question of the last good reading was sent.
# TYPE bench_reading_age_seconds gauge
bench_reading_age_seconds{bench="quay",quantity="current",role="bus"} 0.5
bench_reading_age_seconds{bench="quay",quantity="mode",role="bus"} 0.5
bench_reading_age_seconds{bench="quay",quantity="value",role="temperature"} 1
bench_reading_age_seconds{bench="quay",quantity="voltage",role="bus"} 2
bench_reading_age_seconds{bench="quay",quantity="voltage",role="control"} 1
# HELP bench_reading_amperes Last reading in amperes.
# TYPE bench_reading_amperes gauge
bench_reading_amperes{bench="quay",quantity="current",role="bus"} 0.125
# HELP bench_reading_celsius Last reading in degrees Celsius.
# TYPE bench_reading_celsius gauge
bench_reading_celsius{bench="quay",quantity="value",role="temperature"} 31
# HELP bench_reading_errors_total Questions for a reading that brought none.
# TYPE bench_reading_errors_total counter
bench_reading_errors_total{bench="quay",instrument="bus"} 1
# HELP bench_reading_volts Last reading in volts.
# TYPE bench_reading_volts gauge
bench_reading_volts{bench="quay",quantity="voltage",role="bus"} 24.5
# HELP bench_runs_total Runs that ended, by outcome.
# TYPE bench_runs_total counter
bench_runs_total{bench="rig2",outcome="pass"} 1
# HELP bench_trip_limit_seconds Trip limit in force, in seconds.
# TYPE bench_trip_limit_seconds gauge
bench_trip_limit_seconds{bench="quay",kind="age",quantity="voltage",role="bus"} 0.3
bench_trip_limit_seconds{bench="quay",kind="run time",quantity="",role="run"} 60
# HELP bench_trip_limit_volts Trip limit in force, in volts.
# TYPE bench_trip_limit_volts gauge
bench_trip_limit_volts{bench="quay",kind="high",quantity="voltage",role="bus"} 70
# HELP bench_trips_total Trips of the warden, by cause.
# TYPE bench_trips_total counter
bench_trips_total{bench="quay",cause="other"} 1
bench_trips_total{bench="quay",cause="over-voltage"} 1
`, counted.ReplaceAllString(text(t, m.Gatherer()), ""))
	})
}

func TestCountersBeginAtZero(t *testing.T) {
	scraped(t, func(m *Metrics) {
		got := text(t, m.Gatherer())
		for _, cause := range event.Causes() {
			require.Contains(t, got, `bench_trips_total{bench="rig2",cause="`+cause+`"} 0`)
		}
		for _, outcome := range []string{"fail", "undecided", "tripped", "stopped", "broken"} {
			require.Contains(t, got, `bench_runs_total{bench="rig2",outcome="`+outcome+`"} 0`)
		}
		require.Contains(t, got, `bench_checks_total{bench="rig2",outcome="not applicable"} 0`)
	})
}

func TestALastReadingGrowsOldWithoutAnInstrument(t *testing.T) {
	scraped(t, func(m *Metrics) {
		<-time.After(time.Minute)
		require.Contains(t, text(t, m.Gatherer()), `bench_reading_age_seconds{bench="quay",quantity="voltage",role="bus"} 62`)
	})
}

func TestRunEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.NoError(t, New("0.1.0").Run(ctx, event.NewHub().Subscribe(event.Lossless)))
}

func TestNamesFollowTheConventions(t *testing.T) {
	scraped(t, func(m *Metrics) {
		problems, err := testutil.GatherAndLint(m.Gatherer())
		require.NoError(t, err)
		require.Empty(t, problems)
	})
}

// The published tool's own opinion of a scrape; it exits with 3 on lint findings and 1 on what it cannot parse (Prometheus
// documentation, command-line/promtool).
func TestPromtool(t *testing.T) {
	tool, err := exec.LookPath("promtool")
	if err != nil {
		t.Skip("promtool is not installed: the client library's linter above has the same list")
	}
	var scrape string
	scraped(t, func(m *Metrics) { scrape = text(t, m.Gatherer()) })
	check := func(scrape string) (string, error) {
		cmd := exec.CommandContext(t.Context(), tool, "check", "metrics")
		cmd.Stdin = strings.NewReader(scrape)
		said, err := cmd.CombinedOutput()
		return string(said), err
	}
	said, err := check(scrape)
	require.NoError(t, err, said)
	require.Empty(t, said)
	_, err = check(strings.ReplaceAll(scrape, "bench_reading_volts", "bench_reading_millivolts"))
	require.Error(t, err, "the tool can say no")
}

// Each of these names breaks a rule of the Prometheus naming conventions (docs/practices/naming.md) that the linter of the
// client library knows: a linter that finds nothing has to be one that could.
func TestTheLinterFindsBadNames(t *testing.T) {
	tests := []struct{ scrape, want string }{
		{"# HELP bench_bus_millivolts x\n# TYPE bench_bus_millivolts gauge\nbench_bus_millivolts 1\n", `use base unit "volts" instead of "millivolts"`},
		{"# HELP bench_phase_b_volts x\n# TYPE bench_phase_b_volts gauge\nbench_phase_b_volts 1\n", "abbreviated units"},
		{"# HELP bench_step_time_ms x\n# TYPE bench_step_time_ms gauge\nbench_step_time_ms 1\n", "abbreviated units"},
		{"# HELP bench_runs x\n# TYPE bench_runs counter\nbench_runs 1\n", `counter metrics should have "_total" suffix`},
		{"# HELP bench_queue_total x\n# TYPE bench_queue_total gauge\nbench_queue_total 1\n", `non-counter metrics should not have "_total" suffix`},
		{"# HELP benchRuns_total x\n# TYPE benchRuns_total counter\nbenchRuns_total 1\n", "snake_case"},
		{"# HELP bench:runs_total x\n# TYPE bench:runs_total counter\nbench:runs_total 1\n", "should not contain ':'"},
		{"# HELP bench_temp_gauge x\n# TYPE bench_temp_gauge gauge\nbench_temp_gauge 1\n", "should not include type 'gauge'"},
		{"# TYPE bench_bus_volts gauge\nbench_bus_volts 1\n", "no help text"},
	}
	for _, tt := range tests {
		t.Run(tt.want, func(t *testing.T) {
			problems, err := promlint.New(strings.NewReader(tt.scrape)).Lint()
			require.NoError(t, err)
			var said []string
			for _, p := range problems {
				said = append(said, p.Text)
			}
			require.Contains(t, strings.Join(said, "; "), tt.want)
		})
	}
}
