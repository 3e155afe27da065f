package simulated

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/simulated/plant"
)

func TestTerseSupplyKeepsItsOwnShape(t *testing.T) {
	k := newClock()
	d := dial(t, start(t, Options{Plant: plant.Options{Now: k.now}}), "control")
	d.send("SET:U 24.00", "SET:I 0.800", "SET:UMAX 26.0")
	require.Equal(t, "SU 24.00 V", d.ask("ASK:SU"), "nothing was answered to the settings")
	require.Equal(t, "SI 0.800 A", d.ask("ASK:SI"))
	require.Equal(t, "UMAX 26.0 V", d.ask("ASK:UMAX"))
	require.Equal(t, "MODE OFF OUT 0", d.ask("ASK:M"))
	d.send("OUT:1")
	require.Equal(t, "MODE CV OUT 1", d.until("ASK:M", func(a string) bool {
		k.advance(100 * time.Millisecond)
		return strings.Contains(a, "CV")
	}))
	k.advance(time.Second)
	require.Regexp(t, `^U 2(3\.9|4\.0)\d V$`, d.ask("ASK:U"))
	require.Regexp(t, `^I 0\.[12]\d\d A$`, d.ask("ASK:I"), "about 0.6 of the control section's largest current")
	d.send("OUT:0")
	require.Equal(t, "MODE OFF OUT 0", d.ask("ASK:M"))
}

func TestTerseSupplyAnswersERRAndDoesNothing(t *testing.T) {
	d := dial(t, start(t, Options{}), "control")
	for _, wrong := range []string{
		"*IDN?", "ASK:", "ASK:X", "ask:U", "SET:U", "SET:U 24 V", "SET:U 40.1", "SET:U -1", "SET:U 1e1", "SET:U nan", "SET:U 0x10",
		"SET:I 3.1", "SET:UMAX 44.1", "SET:X 1", "OUT:2", "OUT:", "OUT", " ASK:U", "SET:U  5", "SET:U 1_0",
	} {
		require.Equal(t, "ERR", d.ask(wrong), wrong)
	}
	require.Equal(t, "SU 0.00 V", d.ask("ASK:SU"))
	require.Equal(t, "MODE OFF OUT 0", d.ask("ASK:M"))
}

func TestTerseSupplyTripsAboveUMAXUntilItIsSwitchedOff(t *testing.T) {
	k := newClock()
	d := dial(t, start(t, Options{Plant: plant.Options{Now: k.now}}), "control")
	d.send("SET:UMAX 20.0", "SET:U 24.00", "SET:I 1.000", "OUT:1")
	d.until("ASK:M", func(a string) bool {
		k.advance(100 * time.Millisecond)
		return a == "MODE OV OUT 0"
	})
	require.Equal(t, "ERR", d.ask("OUT:1"))
	d.send("OUT:0")
	require.Equal(t, "MODE OFF OUT 0", d.ask("ASK:M"))
}

func FuzzTerse(f *testing.F) {
	f.Add("SET:U 24.00")
	f.Add("ASK:ID")
	f.Add("OUT:1")
	b, err := Start(f.Context(), Options{Params: brushed()})
	require.NoError(f, err)
	f.Cleanup(func() { require.NoError(f, b.Close()) })
	s := b.newTerse("control", b.plant.ControlSupply())
	spec := s.out.Spec()
	f.Fuzz(func(t *testing.T, message string) {
		answer := string(terseTalk{s}.Execute([]byte(message)))
		require.NotContains(t, answer, "\r")
		r := s.out.Read()
		require.True(t, r.SetVoltage >= 0 && r.SetVoltage <= spec.Highest, "%q set %v", message, r.SetVoltage)
		require.True(t, r.SetCurrent >= 0 && r.SetCurrent <= spec.Current, "%q set %v", message, r.SetCurrent)
		if !strings.HasPrefix(message, "ASK:") && !strings.HasPrefix(message, "SET:") && !strings.HasPrefix(message, "OUT:") && message != "" {
			require.Equal(t, "ERR", answer, message)
		}
	})
}
