package station

import (
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/drive"
	"benchwarden/daemon/warden"
	"benchwarden/instruments/quantity"
)

func family(t *testing.T, name string) *drive.Family {
	t.Helper()
	f, err := drive.LoadNamed([]string{"../../configs/families"}, name)
	require.NoError(t, err)
	return f
}

func example(t *testing.T) *bench.File {
	t.Helper()
	f, err := bench.ReadFile("../../configs/benches/example.yaml")
	require.NoError(t, err)
	return f
}

func find(limits []warden.Limit, name string, kind warden.Kind) (warden.Limit, bool) {
	for _, l := range limits {
		if l.Quantity == name && l.Kind == kind {
			return l, true
		}
	}
	return warden.Limit{}, false
}

func TestACollapseBelowWhereTheControlSectionStopsTrips(t *testing.T) {
	for name, tt := range map[string]struct {
		quantity string
		stops    quantity.Volts
	}{"heron": {"control.voltage", 15}, "plover": {"bus.voltage", 14}, "wren": {"control.voltage", 12}} {
		for _, stage := range []drive.Stage{drive.Rails, drive.Board, drive.Fitted} {
			l, ok := find(limitsFor(family(t, name), stage, example(t)), tt.quantity, warden.Collapse)
			require.True(t, ok, "%s, %s", name, stage)
			require.Equal(t, tt.stops.Value(), l.Value)
			require.Equal(t, []int{1, 1}, []int{l.N, l.M})
			require.Contains(t, l.Origin, name)
		}
	}
}

func TestTheTighterOfFamilyAndBenchIsInForceAndSaysWhereItIsFrom(t *testing.T) {
	ofFamily, ofBench := "family heron, stage board", "ceiling of bench example"
	for _, tt := range []struct {
		name             string
		voltage          quantity.Volts
		current          quantity.Amperes
		volts            quantity.Volts
		amperes          quantity.Amperes
		whence, ampereOf string
	}{
		{"the family's own figures", 400, 2, 100, 0.08, ofFamily, ofFamily},
		{"a bench that may do less volts", 60, 2, 60, 0.08, ofBench, ofFamily},
		{"a bench that may do less amperes", 400, 0.05, 100, 0.05, ofFamily, ofBench},
	} {
		t.Run(tt.name, func(t *testing.T) {
			file := example(t)
			file.Ceilings.Voltage, file.Ceilings.Current = tt.voltage, tt.current
			limits := limitsFor(family(t, "heron"), drive.Board, file)
			for _, name := range []string{"bus.voltage", "bus_meter.voltage"} {
				l, ok := find(limits, name, warden.High)
				require.True(t, ok, name)
				require.Equal(t, tt.volts.Value(), l.Value, name)
				require.Equal(t, tt.whence, l.Origin, name)
			}
			l, ok := find(limits, "bus.current", warden.Settled)
			require.True(t, ok)
			require.Equal(t, tt.amperes.Value(), l.Value)
			require.Equal(t, tt.ampereOf, l.Origin)
		})
	}
}

func TestEveryWatchedReadingHasAnAgeLimitOfThreeOfItsOwnPeriods(t *testing.T) {
	for _, name := range []string{"heron", "plover", "wren", "unknown"} {
		for _, stage := range openStages {
			file := example(t)
			limits := limitsFor(family(t, name), stage, file)
			require.NoError(t, warden.New(warden.Config{Sink: nowhere{}}).Arm("run", limits), "the warden takes them")
			for _, l := range limits {
				switch l.Kind {
				case warden.High, warden.Settled, warden.SetValue, warden.ConstantCurrent, warden.Interlock:
					age, ok := find(limits, l.Quantity, warden.Age)
					require.True(t, ok, "%s, %s: %s", name, stage, l.Quantity)
					period := file.PeriodOf(roleOf(l.Quantity))
					if l.Quantity == bench.InterlockName {
						period = file.PeriodOf(bench.Contacts)
					}
					require.Equal(t, (3 * period).Value(), age.Value, l.Quantity)
				}
			}
		}
	}
}

func TestAControlSupplyIsWatchedWhereTheDriveHasOneOfItsOwn(t *testing.T) {
	for name, separate := range map[string]bool{"heron": true, "wren": true, "plover": false} {
		_, watched := find(limitsFor(family(t, name), drive.Board, example(t)), "control.voltage", warden.High)
		require.Equal(t, separate, watched, name)
		_, may := stageOf("run", family(t, name), drive.Board, "U-1").Supplies[bench.Control]
		require.Equal(t, separate, may, name)
	}
}

func TestWhatAPersonReadsOnRequestIsNotWatched(t *testing.T) {
	file := example(t)
	file.Instruments[bench.Bus].Dialect = bench.HandDialect
	file.Instruments[bench.BusMeter].Dialect = bench.HandDialect
	file.Interlock.Contact = ""
	limits := limitsFor(family(t, "heron"), drive.Board, file)
	for _, l := range limits {
		require.NotContains(t, []string{bench.Bus, bench.BusMeter, bench.InterlockName}, roleOf(l.Quantity))
	}
}

func TestSetpointsEndWhereAGoodSupplyWouldTrip(t *testing.T) {
	for _, tt := range []struct {
		name    string
		trip    quantity.Volts
		highest quantity.Volts
	}{
		{"5 % where that is more", 100, 95},
		{"2 V where that is more", 30, 28},
	} {
		t.Run(tt.name, func(t *testing.T) {
			e := envelope(tt.trip, 0.08, 0.15)
			require.InDelta(t, float64(tt.highest), float64(e.Voltage), 1e-9)
			require.Equal(t, tt.trip, e.TripVoltage)
			require.Less(t, e.TripCurrent, e.Current, "a trip limit above the current limit can never act")
		})
	}
}

func TestTheBenchKnowsWhatPullsTheDrivesBusDown(t *testing.T) {
	heron := stageOf("run", family(t, "heron"), drive.Board, "H-1")
	bus := family(t, "heron").Bus
	require.InDelta(t, float64(bus.Capacitance)*(1-float64(bus.CapWithin)), float64(heron.Drive.CapacitanceLeast), 1e-12)
	require.InDelta(t, float64(bus.Capacitance)*(1+float64(bus.CapWithin)), float64(heron.Drive.CapacitanceMost), 1e-12)
	require.InDelta(t, float64(bus.Bleeder)*(1-float64(bus.BleedWithin)), float64(heron.Drive.BleederLeast), 1e-9)
	require.InDelta(t, float64(bus.Bleeder)*(1+float64(bus.BleedWithin)), float64(heron.Drive.BleederMost), 1e-9)
	require.Zero(t, heron.Drive.ControlPower, "its control section has a supply of its own")
	require.False(t, heron.Fitted)

	plover := stageOf("run", family(t, "plover"), drive.Board, "P-1")
	require.Positive(t, plover.Drive.ControlPower)
	require.Equal(t, family(t, "plover").Control.Stop, plover.Drive.ControlStop)
	require.True(t, stageOf("run", family(t, "heron"), drive.Fitted, "H-1").Fitted)
	require.True(t, stageOf("run", family(t, "heron"), drive.Soak, "H-1").Fitted)
}

func TestAFamilyAsksABenchForWhatTheStagesNeedThatCanBeRun(t *testing.T) {
	needs := NeedsOf(family(t, "heron"))
	require.Equal(t, "heron", needs.Family)
	require.Equal(t, []string{"A", "B", "C"}, needs.Legs)
	require.ElementsMatch(t, []string{"cold", "rails", "board"}, slices.Collect(maps.Keys(needs.Stages)))
	require.Equal(t, quantity.Volts(100), needs.Highest)
	for _, name := range []string{"heron", "plover", "wren", "unknown"} {
		findings := example(t).Validate(NeedsOf(family(t, name)), bench.Speaks([]string{"../../configs/dialects"}))
		require.NoError(t, findings.Faults.Err(), "the example bench serves family %s", name)
	}
}
