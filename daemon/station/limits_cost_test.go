package station

import (
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/keeper"
	"benchwarden/daemon/warden"
	"benchwarden/instruments/quantity"
)

var dialectsOfOurs = []string{"../../configs/dialects"}

func TestPersistenceCostsItsReadingsTheWireAndTheSupply(t *testing.T) {
	file := example(t)
	limits, u, err := CostOf(family(t, "heron"), drive.Board, file, dialectsOfOurs)
	require.NoError(t, err)
	off, err := offTime(file, "bus", dialectsOfOurs)
	require.NoError(t, err)
	require.Positive(t, float64(off))
	want := map[string]float64{"bus.voltage high": 1, "bus.current settled high": 3, "bus.mode constant current": 4}
	for _, l := range limits {
		if periods, ok := want[l.Quantity+" "+string(l.Kind)]; ok {
			latency := periods*float64(file.PeriodOf("bus")) + float64(off)
			require.InDelta(t, latency, float64(l.Latency), 1e-9, "%s %s: the bus is on TCP, its wire takes no time", l.Quantity, l.Kind)
			require.InDelta(t, 100*0.15*latency, float64(l.Energy), 1e-9)
			delete(want, l.Quantity+" "+string(l.Kind))
		}
		if l.Kind == warden.Age {
			require.Zero(t, l.Latency)
		}
	}
	require.Empty(t, want)
	require.InDelta(t, (keeper.Silence+keeper.Reach).Seconds()+float64(off), float64(u.Time), 1e-9)
	require.InDelta(t, 100*0.15*float64(u.Time), float64(u.Energy), 1e-9)
}

func TestEveryStageStaysWithinItsUncontrolledEnergy(t *testing.T) {
	for _, name := range []string{"heron", "plover", "wren", "unknown"} {
		f := family(t, name)
		for stage, l := range f.Stages {
			require.Positive(t, float64(l.UncontrolledEnergy), "%s, %s", name, stage)
			require.NoError(t, CheckUncontrolled(f, stage, example(t), dialectsOfOurs), "%s, %s", name, stage)
		}
	}
}

func TestALimitThatLetsTooMuchThroughIsRefused(t *testing.T) {
	f := family(t, "heron")
	_, u, err := CostOf(f, drive.Board, example(t), dialectsOfOurs)
	require.NoError(t, err)
	for name, tt := range map[string]struct {
		allowed quantity.Joules
		want    string
	}{
		"just what it lets through": {u.Energy, ""},
		"a little less":             {u.Energy * 0.999, "the family allows"},
		"the family does not say":   {0, ""},
	} {
		t.Run(name, func(t *testing.T) {
			l := f.Stages[drive.Board]
			l.UncontrolledEnergy = tt.allowed
			f.Stages[drive.Board] = l
			err := CheckChange(f, drive.Board, example(t), dialectsOfOurs)
			if tt.want == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, tt.want)
		})
	}
}

func TestAChangeStaysBelowTheCeilingsOfTheBench(t *testing.T) {
	f, file := family(t, "heron"), example(t)
	file.Ceilings.Voltage, file.Ceilings.Current = 100, 1
	require.NoError(t, CheckChange(f, drive.Board, file, dialectsOfOurs), "at the ceiling is within it")
	file.Ceilings.Voltage = 99.9
	require.ErrorContains(t, CheckChange(f, drive.Board, file, dialectsOfOurs), "bus_voltage: 100 V is above 99.9 V, the ceiling of bench example")
	file.Ceilings.Voltage, file.Ceilings.Current = 100, 0.14
	require.ErrorContains(t, CheckChange(f, drive.Board, file, dialectsOfOurs), "current_limit: 150 mA is above 140 mA")
}

func TestALimitThatTheSuppliesOwnProtectionCannotStandAboveIsRefused(t *testing.T) {
	f, file := family(t, "heron"), example(t)
	f.Bus.Nominal = 500
	file.Ceilings.Voltage, file.Ceilings.Power = 600, 0
	s := f.Stages[drive.Board]
	s.UncontrolledEnergy = 0
	s.BusVoltage = 418 // the protection stands 5 % above; the dialect's range ends at 440 V
	f.Stages[drive.Board] = s
	require.NoError(t, CheckChange(f, drive.Board, file, dialectsOfOurs))
	s.BusVoltage = 420
	f.Stages[drive.Board] = s
	require.ErrorContains(t, CheckChange(f, drive.Board, file, dialectsOfOurs), "over-voltage of bus on bench example) would have to stand at 441 V, a little past the limit; it reaches 440 V")
}
