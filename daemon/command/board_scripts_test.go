package command

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/daemon/report"
	"benchwarden/daemon/station"
	"benchwarden/daemon/verdict"
)

// What the reference sweep has to find; it is for open loops only.
var referenceLines = []line{
	{fault: "reference_offset", names: "the reference has an offset", on: "heron wren"},
	{fault: "reference_gain", names: "the gain of the reference is wrong", on: "heron wren"},
	{fault: "reference_dead_zone", names: "the reference has a dead zone", on: "heron wren"},
	{fault: "reference_polarity_missing:negative", names: "negative references do nothing", on: "heron wren"},
}

// What has to be found in how the drive stops and comes back.
var responseLines = []line{
	{fault: "permissive_slow:limit_reverse", names: "the drive is late"},
	{fault: "inhibit_slow", names: "inhibit: the drive is late"},
	{fault: "permissive_stuck_given:limit_forward", names: "limit_forward is withdrawn and the drive fires on", thorough: true},
	{fault: "inhibit_dead", names: "inhibit is withdrawn and the drive fires on", thorough: true},
	{fault: "fault_not_latched", names: "does not latch"},
	{fault: "sense_never_reports", names: "does not notice that its part is missing", on: "heron"},
	{fault: "sense_always_reports", names: "the drive reports a fault although everything is given", on: "heron", thorough: true},
	{fault: "fault_lamp_dead", names: "the fault lamp never lights"},
	{fault: "fault_lamp_stuck", names: "the fault lamp is lit although the drive has no fault", thorough: true},
}

// What shows only when the board is tapped, or once it has been on for some time: the place that was tapped is named with what changed.
// They take most of a minute each; TestTapTest always has one of them, twice.
var tapLines = []line{
	{fault: "stuck_off:A.high@tapped", names: "tapped at the gate driver of A.high: A.high drops out", thorough: true},
	{fault: "hall_open:2@tapped", names: "the gates follow Hall 2 as if open", on: halls, thorough: true},
	{fault: "hall_short:3@tapped", names: "the gates follow Hall 3 as if shorted", on: halls, thorough: true},
	{fault: "channel_dead:B.low@tapped", names: "tapped at the gate driver of B.low: B.low", thorough: true},
	{fault: "stuck_on:B.high@tapped", names: "tapped at the gate driver of B.high: B.high stays on", thorough: true},
	{fault: "low_drive_level:B.high@tapped", names: "tapped at the gate driver of B.high: B.high", thorough: true},
	{fault: "rail_missing:{rail}@tapped", names: "tapped at the parts of rail {rail}", thorough: true},
	{fault: "rail_low:{rail}@tapped", names: "tapped at the parts of rail {rail}", thorough: true},
	{fault: "rail_low:logic=0.7@tapped", names: "tapped at the parts of rail logic: rail logic", thorough: true},
	{fault: "permissive_stuck_away:limit_reverse@tapped", names: "tapped at the control connector", thorough: true},
	{fault: "channel_dead:A.high", names: "already before it is tapped", outcome: "undecided", hidden: "a gate that never fires cannot drop out", thorough: true},
	{fault: "stuck_off:B.high@warm=3 s", names: "B.high drops out", thorough: true},
}

const beyond = "it acts beyond the board stage's trip limit"

// What has to be found at the thresholds.
var limitLines = []line{
	{fault: "undervoltage_lockout_dead", names: "its under-voltage lock-out does not act", on: "heron"},
	{fault: "undervoltage_lockout_dead", names: "under-voltage lock-out does not act", on: "plover", exit: station.ExitNotSafe}, // falls too fast to be believed down
	{fault: "undervoltage_lockout_dead", names: "under-voltage lock-out", on: "wren", outcome: "pass",
		hidden: "its current would trip the bench before the voltage is low enough to tell"},
	{fault: "overvoltage_lockout_dead", names: "over-voltage lock-out", outcome: "pass", hidden: beyond},
}

// TestOverVoltageLockoutWhereTheStageReachesIt gives wren a board stage whose trip limit lies above its lock-out.
func TestOverVoltageLockoutWhereTheStageReachesIt(t *testing.T) {
	t.Parallel()
	configs := t.TempDir()
	require.NoError(t, os.CopyFS(configs, os.DirFS("../../configs")))
	path := filepath.Join(configs, "families", "wren.yaml")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	higher := strings.NewReplacer("lockout_high: 80 V", "lockout_high: 63 V", "lockout_within: 5 %", "lockout_within: 3 %",
		"    bus_voltage: 35 V\n", "    bus_voltage: 70 V\n", "ramp_energy: 100 J", "ramp_energy: 300 J", "uncontrolled_energy: 16 J", "uncontrolled_energy: 50 J",
		"\n  step: 5 V", "\n  step: 20 V").Replace(string(text))
	require.NoError(t, os.WriteFile(path, []byte(higher), 0o600))
	for _, c := range []struct {
		fault   []string
		outcome verdict.Outcome
	}{{nil, verdict.Pass}, {[]string{"overvoltage_lockout_dead"}, verdict.Fail}} {
		var r report.Run
		for range starved {
			runs, err := takenWith(t, configs, simulateOptions{family: "wren", seed: 1, faults: c.fault}, []string{"drive_limits"})
			require.NoError(t, err)
			if r = runs[0]; starvedBy(r) == "" {
				break
			}
		}
		require.Equal(t, string(c.outcome), r.Ended.Outcome, telling(r))
		i := slices.IndexFunc(r.Checks, func(k event.Check) bool { return k.Name == "over-voltage lock-out" })
		require.GreaterOrEqual(t, i, 0)
		require.Equal(t, c.outcome, r.Checks[i].Outcome)
		if c.outcome == verdict.Pass {
			require.InDelta(t, 63, r.Checks[i].Reading.Number, 0.7, "a nominal unit, steps of a hundredth")
			require.Empty(t, r.Findings)
			continue
		}
		require.Contains(t, r.Findings[0].Text, "the over-voltage lock-out does not act")
	}
}

// TestTapTest holds that the place is found where the program watches, and on a poor bench where a person taps, watches the scope's screen
// and says what they saw; a good board comes through that. With -every-family on all three.
func TestTapTest(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		poor   bool
		faults []string
	}{
		{name: "good by hand", poor: true},
		{name: "watched", faults: []string{"stuck_off:A.high@tapped"}},
		{name: "by hand", poor: true, faults: []string{"stuck_off:A.high@tapped"}},
	} {
		for _, family := range allFamilies {
			if !*everyFamily && (family != "wren" || c.faults == nil) {
				continue
			}
			t.Run(c.name+" "+family, func(t *testing.T) {
				t.Parallel()
				r := triedOn(t, simulateOptions{family: family, seed: 5, spread: true, faults: c.faults, poor: c.poor}, true, "tap_test")[0]
				if c.faults == nil {
					require.Equal(t, string(verdict.Pass), r.Ended.Outcome, telling(r))
					require.Empty(t, r.Findings)
					return
				}
				require.Equal(t, string(verdict.Fail), r.Ended.Outcome, telling(r))
				require.Contains(t, conclusions(r)[0], "tapped at the gate driver of A.high: A.high ")
			})
		}
	}
}

// TestGoodUnitsOnTheBoard takes a good unit of each family through the scripts of the board stage that a release does not ask
// for. Where a family has nothing that a script could look at, the run says so and is never passed.
func TestGoodUnitsOnTheBoard(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		script, family string
		outcome        verdict.Outcome
		thorough       bool // only with -every-family
	}{
		{script: "reference_sweep", family: "heron", outcome: verdict.Pass},
		{script: "reference_sweep", family: "wren", outcome: verdict.Pass, thorough: true},
		{script: "reference_sweep", family: "plover", outcome: verdict.Undecided}, // its current loop saturates
		{script: "drive_limits", family: "heron", outcome: verdict.Pass},
		{script: "drive_limits", family: "plover", outcome: verdict.Pass, thorough: true},
		{script: "drive_limits", family: "wren", outcome: verdict.Pass, thorough: true},
		{script: "tap_test", family: "heron", outcome: verdict.Pass, thorough: true},
		{script: "tap_test", family: "plover", outcome: verdict.Pass, thorough: true},
		{script: "tap_test", family: "wren", outcome: verdict.Pass},
		{script: "fault_response", family: "heron", outcome: verdict.Pass, thorough: true},
		{script: "fault_response", family: "plover", outcome: verdict.Pass},
		{script: "fault_response", family: "wren", outcome: verdict.Pass, thorough: true},
	} {
		if c.thorough && !*everyFamily {
			continue
		}
		t.Run(c.script+" "+c.family, func(t *testing.T) {
			t.Parallel()
			r := tried(t, c.family, 3, true, nil, true, c.script)[0]
			require.Equal(t, string(c.outcome), r.Ended.Outcome, telling(r))
			require.Empty(t, r.Findings)
			require.NotEmpty(t, r.Checks)
		})
	}
}
