package command

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/pflag"
	"github.com/stretchr/testify/require"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/drive"
	"benchwarden/daemon/event"
	"benchwarden/daemon/report"
	"benchwarden/daemon/station"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/simulated/plant"
)

var goodUnits = flag.Int("units", 3, "how many good units TestGoodUnits and TestGoodFittedUnits take through the scripts")

var everyFamily = flag.Bool("every-family", false, "put each fault into every family, not into one family in turn")

// atOnce is how many simulated benches run at once unless -parallel says otherwise: they mostly wait for their instruments.
const atOnce = "10"

var allFamilies = []string{"heron", "plover", "wren"}

// fittedScripts are run on a drive with its power devices in.
var fittedScripts = []string{"first_power", "phases", "linearity", "current_sensors", "current_limit", "ripple"}

// starved is how often a run is tried again that tripped because this computer was too busy to read the bench in time.
// The warden is right to trip then; it says nothing about the drive.
const starved = 4

// TestFaults puts every fault of the table into a drive or a bench, one at a time, and runs the script that has to find it:
// on one family in turn, with -every-family on all that can have it.
func TestFaults(t *testing.T) {
	t.Parallel()
	list := faultCases()
	if !*everyFamily {
		list = inTurn(list)
	}
	for i, c := range list {
		if testing.Short() && i%handful != 0 {
			continue
		}
		t.Run(c.String(), func(t *testing.T) {
			t.Parallel()
			runs := tried(t, c.family, 1, false, []string{c.fault}, !c.instrument, c.script)
			c.holds(t, runs[0])
		})
	}
}

// TestFaultsOnAPoorBench finds the cold faults where a person moves the leads and types the readings, and passes good drives there.
func TestFaultsOnAPoorBench(t *testing.T) {
	t.Parallel()
	for _, family := range allFamilies {
		t.Run("good "+family, func(t *testing.T) {
			t.Parallel()
			r := triedOn(t, simulateOptions{family: family, seed: 5, spread: true, poor: true}, true, "cold_checks")[0]
			require.Equal(t, string(verdict.Pass), r.Ended.Outcome, telling(r))
			require.Empty(t, r.Findings)
			for _, sentence := range []string{"bus is operated by hand: the warden cannot see", "bus_meter is operated by hand"} {
				require.True(t, slices.ContainsFunc(r.Notes, func(n event.Note) bool { return strings.Contains(n.Text, sentence) }), "%q is in the record\n%v", sentence, r.Notes)
			}
		})
	}
	list := slices.DeleteFunc(faultCases(), func(c faultCase) bool { return c.script != "cold_checks" })
	if !*everyFamily {
		list = inTurn(list)
	}
	for i, c := range list {
		// Which fault it is, is judged as on the rich bench; a few show that a person's readings serve as well.
		if testing.Short() && i%handful != 0 || !*everyFamily && i%few != 0 {
			continue
		}
		t.Run(c.String(), func(t *testing.T) {
			t.Parallel()
			c.holds(t, triedOn(t, simulateOptions{family: c.family, seed: 1, faults: []string{c.fault}, poor: true}, true, c.script)[0])
		})
	}
}

// TestRailsOnAPoorBench holds that a good drive's rails are read by hand, and that their ripple is seen in files that a scope exported.
func TestRailsOnAPoorBench(t *testing.T) {
	t.Parallel()
	r := triedOn(t, simulateOptions{family: "heron", seed: 5, spread: true, poor: true}, true, "rails")[0]
	require.Equal(t, string(verdict.Pass), r.Ended.Outcome, telling(r))
	require.Empty(t, r.Findings)
	ripples := 0
	for _, k := range r.Checks {
		if k.Name == "rail ripple" && k.Outcome == verdict.Pass {
			ripples++
		}
	}
	require.NotZero(t, ripples)
	files := 0
	for _, n := range r.Notes {
		if strings.Contains(n.Text, "trace file trace") && strings.Contains(n.Text, "SHA-256 ") {
			files++
		}
	}
	require.GreaterOrEqual(t, files, ripples, "the record names each file")
}

// TestGatesOnAPoorBench holds that a good drive's gates pass where a person sets Hall switches, contacts and reference and brings the
// scope's files, and that what is wrong with them is named as on the rich bench. A sweep by hand takes one or two minutes of waiting.
func TestGatesOnAPoorBench(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("a sweep by hand takes a minute or two")
	}
	scripts, families := []string{"twitch"}, []string{"wren"}
	if *everyFamily {
		scripts, families = []string{"gate_sweep", "twitch"}, allFamilies
	}
	for _, family := range families {
		for _, script := range scripts {
			t.Run("good "+family+" "+script, func(t *testing.T) {
				t.Parallel()
				r := triedOn(t, simulateOptions{family: family, seed: 5, spread: true, poor: true}, true, script)[0]
				require.Equal(t, string(verdict.Pass), r.Ended.Outcome, telling(r))
				require.Empty(t, r.Findings)
				require.True(t, slices.ContainsFunc(r.Notes, func(n event.Note) bool { return strings.Contains(n.Text, "SHA-256 ") }), "the files are in the record")
			})
		}
	}
	shown := []string{"channel_dead:B.high", "stuck_on:B.high", "channels_swapped:A.high,B.high", "dead_time_short:B", "hall_open:2", "twitch_power_up:B.high"}
	byDefault := []string{"wren gate_sweep dead_time_short:B", "wren gate_sweep channel_dead:B.high", "heron gate_sweep hall_open:2"}
	for _, c := range faultCases() {
		if !slices.Contains(shown, c.fault) || c.script != "gate_sweep" && c.script != "twitch" {
			continue
		}
		if !*everyFamily && !slices.Contains(byDefault, c.family+" "+c.script+" "+c.fault) {
			continue
		}
		t.Run(c.String(), func(t *testing.T) {
			t.Parallel()
			c.holds(t, triedOn(t, simulateOptions{family: c.family, seed: 1, faults: []string{c.fault}, poor: true}, true, c.script)[0])
		})
	}
}

// TestBusRampOnAPoorBench holds that a good drive's bus comes up and down by hand without anything said against it, and that what typed
// readings are too slow for is undecided.
func TestBusRampOnAPoorBench(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("a ramp by hand takes most of a minute")
	}
	families := allFamilies
	if !*everyFamily {
		families = families[:1]
	}
	for _, family := range families {
		t.Run(family, func(t *testing.T) {
			t.Parallel()
			r := triedOn(t, simulateOptions{family: family, seed: 5, poor: true}, true, "bus_ramp")[0]
			require.Equal(t, string(verdict.Undecided), r.Ended.Outcome, telling(r))
			require.Empty(t, r.Findings)
			for _, k := range r.Checks {
				require.NotEqual(t, verdict.Fail, k.Outcome, k.Name)
				if k.Name == "bus down" {
					require.Equal(t, verdict.Pass, k.Outcome, "measured at the drive by a person")
				}
			}
		})
	}
}

// inTurn picks one family for each fault, the next one for the next fault.
func inTurn(list []faultCase) (chosen []faultCase) {
	for turn := 0; len(list) > 0; turn++ {
		same := 1
		for same < len(list) && list[same].script == list[0].script && list[same].name() == list[0].name() {
			same++
		}
		// The sweep's faults are judged on charts as well, each of them, in package gates: every other one runs here.
		if c := list[turn%same]; !c.thorough && (c.script != "gate_sweep" || turn%2 == 0) {
			chosen = append(chosen, c)
		}
		list = list[same:]
	}
	return chosen
}

// handful is every how manieth case is run with -short, few every how manieth where others show the same.
const (
	handful = 10
	few     = 5
)

// TestEveryFaultHasItsLine holds that no fault of the simulation is left out of the table, on any family that can have it.
func TestEveryFaultHasItsLine(t *testing.T) {
	tested := map[string]bool{}
	for _, c := range faultCases() {
		tested[c.family+" "+c.name()] = true
	}
	for _, k := range plant.Faults() {
		if k.Name == "temperature_rising" || k.Name == "fan_dead" { // TestSoak has these two
			continue
		}
		for _, name := range allFamilies {
			family, err := drive.LoadNamed([]string{"../../configs/families"}, name)
			require.NoError(t, err)
			fault, err := plant.ParseFault(k.Example())
			require.NoError(t, err)
			if k.Target == "rail" {
				fault.Target = "logic" // every family has one
			}
			if k.Target == "stand-in" {
				fault.Target = "gate_capacitors" // every family has them
			}
			_, err = plant.New(paramsOf(family), plant.Options{Faults: []plant.Fault{fault}})
			require.Equal(t, err == nil, tested[name+" "+k.Name], "%s on %s: the drive can have it (%v), the table has it", k.Name, name, err)
		}
	}
}

// TestGoodUnits takes good units, each spread over the inner 80 % of its family's tolerances, through all scripts.
func TestGoodUnits(t *testing.T) {
	t.Parallel()
	outcomes := make(chan string, *goodUnits*(len(demoScripts)+1))
	t.Run("unit", func(t *testing.T) {
		for i := range *goodUnits {
			family, seed := allFamilies[i%len(allFamilies)], uint64(i+1)
			if testing.Short() && i >= len(allFamilies) {
				break
			}
			t.Run(fmt.Sprintf("%s %d", family, seed), func(t *testing.T) {
				t.Parallel()
				for _, r := range tried(t, family, seed, true, nil, true, append([]string{"cold_checks"}, demoScripts...)...) {
					outcomes <- r.Ended.Outcome
					if r.Ended.Outcome == string(verdict.Undecided) {
						t.Logf("%s: undecided: %s", r.Script, strings.Join(r.Ended.Reasons, "; "))
						continue
					}
					require.Equal(t, string(verdict.Pass), r.Ended.Outcome, "%s: %s", r.Script, strings.Join(r.Ended.Reasons, "; "))
					require.Empty(t, r.Findings, r.Script)
				}
			})
		}
	})
	close(outcomes)
	count := map[string]int{}
	for o := range outcomes {
		count[o]++
	}
	t.Logf("runs by outcome: %v", count)
	require.Positive(t, count[string(verdict.Pass)])
}

// TestGoodFittedUnits takes good units of each family in turn, spread over their tolerances, through the scripts of the fitted stage.
func TestGoodFittedUnits(t *testing.T) {
	t.Parallel()
	for i := range max(*goodUnits, len(allFamilies)) {
		family, seed := allFamilies[i%len(allFamilies)], uint64(i+5)
		t.Run(fmt.Sprintf("%s %d", family, seed), func(t *testing.T) {
			t.Parallel()
			for _, r := range tried(t, family, seed, true, nil, true, fittedScripts...) {
				require.Equal(t, string(verdict.Pass), r.Ended.Outcome, "%s: %s", r.Script, strings.Join(r.Ended.Reasons, "; "))
				require.Empty(t, r.Findings, r.Script)
			}
		})
	}
}

// tried takes a drive through scripts on a simulated bench of its own, in a process of its own; a run that this computer
// starved is tried again where again is set.
func tried(t *testing.T, family string, seed uint64, spread bool, faults []string, again bool, scripts ...string) []report.Run {
	t.Helper()
	return triedOn(t, simulateOptions{family: family, seed: seed, spread: spread, faults: faults}, again, scripts...)
}

func triedOn(t *testing.T, o simulateOptions, again bool, scripts ...string) []report.Run {
	t.Helper()
	for n := 1; ; n++ {
		runs, err := taken(t, o, scripts)
		why := ""
		if err == nil {
			why = starvedBy(runs[len(runs)-1])
		}
		if !again || n == starved || err == nil && why == "" {
			require.NoError(t, err)
			return runs
		}
		t.Logf("tried again, the computer was too busy: %s, %v", why, err)
	}
}

// starvedBy says how a run ended that this computer may have had no time for, empty where it did. What is broken for another
// reason is broken every time.
func starvedBy(r report.Run) string {
	if len(r.Trips) > 0 && (r.Trips[0].Cause == event.StaleReading || r.Trips[0].Cause == event.LinkLost) {
		return r.Trips[0].Text // an answer that comes late costs a reading, and on a line without re-synchronisation the link
	}
	if r.Ended.Exit >= station.ExitBroken && len(r.Trips) == 0 && r.Ended.Outcome == "broken" {
		return r.Ended.Reasons[0]
	}
	return ""
}

func taken(t *testing.T, o simulateOptions, scripts []string) (runs []report.Run, err error) {
	return takenWith(t, "../../configs", o, scripts)
}

// takenWith takes a simulated bench through scripts; its bench file is edited before.
func takenWith(t *testing.T, configs string, o simulateOptions, scripts []string, edits ...func(string) string) (runs []report.Run, err error) {
	s, err := newSettings(pflag.NewFlagSet("test", pflag.ContinueOnError)).read()
	if err != nil {
		return nil, err
	}
	dir := t.TempDir()
	s.Configs, s.Scripts, s.Data, s.Countdown = configs, "../../scripts", dir, 0
	o.name, o.benchFile, o.fitted = "test", filepath.Join(dir, "bench.yaml"), o.fitted || slices.Contains(fittedScripts, scripts[0])
	sim, err := startSimulation(context.WithoutCancel(t.Context()), s, o)
	if err != nil {
		return nil, err
	}
	defer sim.stop()
	if err := errors.Join(slowly(sim.benchFile), edited(sim.benchFile, edits...)); err != nil {
		return nil, err
	}
	file, err := bench.ReadFile(sim.benchFile)
	if err != nil {
		return nil, err
	}
	st, err := station.Open(t.Context(), stationConfig(s, file, event.NewHub(), station.NewSlot(), "test"))
	if err != nil {
		return nil, err
	}
	life, stop := context.WithCancel(t.Context())
	closed := make(chan error, 1)
	go func() { closed <- st.Run(life) }()
	for _, script := range scripts {
		var r report.Run
		if r, err = recorded(t.Context(), st, station.Order{Script: script, Family: o.family, Unit: "test", Operator: "test", Rehearsal: true}); err != nil {
			break
		}
		runs = append(runs, r)
		if r.Ended.Exit != station.ExitPass && r.Ended.Exit != station.ExitUndecided {
			break
		}
	}
	stop()
	if end := <-closed; end != nil && (len(runs) == 0 || runs[len(runs)-1].Ended.Exit != station.ExitNotSafe) {
		err = errors.Join(err, end) // a bench that is NOT SAFE says so again as it closes
	}
	return runs, err
}

// slower is by how much a bench of a test is polled more slowly than it could be: many run at once on few processors here, and a
// reading that this computer has no time for is a stale one.
var slower = flag.Int("slower", 2, "how many times more slowly than its bench file says a simulated bench is polled; more on a busy computer")

func slowly(benchFile string) error {
	return edited(benchFile, strings.NewReplacer("period: 100 ms", fmt.Sprintf("period: %d ms", 100**slower),
		"period: 300 ms", fmt.Sprintf("period: %d ms", 250**slower)).Replace)
}

func edited(benchFile string, edits ...func(string) string) error {
	text, err := os.ReadFile(benchFile)
	if err != nil {
		return err
	}
	for _, edit := range edits {
		text = []byte(edit(string(text)))
	}
	return os.WriteFile(benchFile, text, 0o600)
}

// recorded runs one script to its end and takes down what it found.
func recorded(ctx context.Context, st *station.Station, order station.Order) (report.Run, error) {
	running, err := st.Start(order)
	if err != nil {
		return report.Run{}, err
	}
	var events []event.Event
	for {
		e, err := running.Events.Next(ctx)
		if err != nil {
			break
		}
		if e.Run == running.Run {
			events = append(events, e)
		}
	}
	running.Wait()
	return report.Take(events), nil
}

// holds asserts that the run came out as the case promises and that the words name what is wrong.
func (c faultCase) holds(t *testing.T, r report.Run) {
	t.Helper()
	told := telling(r)
	require.Contains(t, strings.Split(c.outcome, "|"), r.Ended.Outcome, told)
	if c.exit != 0 {
		require.Equal(t, c.exit, r.Ended.Exit, told)
	}
	switch {
	case c.instrument && r.Ended.Exit == station.ExitPass:
		c.unharmed(t, r)
		return
	case c.hidden != "":
		require.True(t, slices.ContainsFunc(r.Checks, func(k event.Check) bool {
			open := k.Outcome == verdict.NotShown || k.Outcome == verdict.Undecided
			return open && strings.Contains(k.Name+" "+k.Subject+" "+k.Reason, c.names) && k.Reason != ""
		}), "no check says that %s is not shown\n%s", c.names, told)
		return
	}
	require.True(t, slices.ContainsFunc(conclusions(r), func(s string) bool { return strings.Contains(s, c.names) }), "%q is named nowhere\n%s", c.names, told)
	if c.script == "gate_sweep" && slices.Contains([]string{"channel_dead", "stuck_off", "stuck_on", "low_drive_level", "slow_rise"}, c.name()) {
		channel := strings.TrimPrefix(c.fault, c.name()+":")
		beside := 0
		for _, kept := range r.Traces {
			if strings.HasPrefix(kept.Beside, channel) {
				beside++
			}
		}
		require.GreaterOrEqual(t, beside, 2, "%s is kept beside its siblings\n%s", channel, told)
	}
}

// unharmed asserts that a bench's fault left no trace in what a good, nominal unit came to.
func (c faultCase) unharmed(t *testing.T, r report.Run) {
	t.Helper()
	family, err := drive.LoadNamed([]string{"../../configs/families"}, c.family)
	require.NoError(t, err)
	require.Empty(t, r.Findings)
	i := slices.IndexFunc(r.Checks, func(k event.Check) bool { return k.Name == "capacitance" })
	require.GreaterOrEqual(t, i, 0, "the run lasted long enough for the fault")
	require.InEpsilon(t, float64(family.Bus.Capacitance), r.Checks[i].Reading.Number, 0.1)
}

// conclusions are the findings, trips and failed checks of a run; where there is a finding, the first one counts, as a
// technician reads it first.
func conclusions(r report.Run) []string {
	var list []string
	for _, trip := range r.Trips {
		list = append(list, trip.Cause+": "+trip.Text)
	}
	if len(r.Findings) > 0 {
		f := r.Findings[0]
		return append(list, f.Subject+": "+f.Text+"; "+f.Part)
	}
	for _, k := range r.Checks {
		if k.Outcome == verdict.Fail {
			list = append(list, fmt.Sprintf("%s of %s: %s; %s", k.Name, k.Subject, k.Reason, k.Part))
		}
	}
	if r.Ended.Exit >= station.ExitBroken {
		list = append(list, r.Ended.Reasons...)
	}
	return list
}

func telling(r report.Run) string {
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s ended %s (%d)\n", r.Script, r.Ended.Outcome, r.Ended.Exit)
	for _, trip := range r.Trips {
		fmt.Fprintf(&b, "trip: %s: %s\n", trip.Cause, trip.Text)
	}
	for _, f := range r.Findings {
		fmt.Fprintf(&b, "finding: %s: %s; %s\n", f.Subject, f.Text, f.Part)
	}
	for _, reason := range r.Ended.Reasons {
		fmt.Fprintf(&b, "reason: %s\n", reason)
	}
	return b.String()
}
