package simulated

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/link"
	supplydriver "benchwarden/instruments/supply"
)

func TestASupplyThatHearsNothingSwitchesItselfOff(t *testing.T) {
	b, ctx := start(t, Options{}), t.Context()
	session := spoken(t, b, "bus", "watched-supply", link.Options{})
	bus := supplydriver.New("bus", session, supplydriver.Limits{Max: 60, MaxCurrent: 2})
	require.True(t, bus.HasWatchdog())
	require.NoError(t, bus.Watchdog(ctx, link.Script, 1))
	require.NoError(t, bus.SetCurrent(ctx, link.Script, 1))
	require.NoError(t, bus.SetVoltage(ctx, link.Script, 30))
	require.NoError(t, bus.Output(ctx, link.Script, true))

	isOn := func() bool { return b.plant.BusSupply().Read().On }
	fed := time.Now().Add(2 * time.Second) // twice the silence, and it is talked to all along
	for time.Now().Before(fed) {
		on, err := bus.On(ctx, link.Script)
		require.NoError(t, err)
		require.True(t, on)
	}
	last := time.Now()
	require.NoError(t, session.Close()) // a daemon that died: nobody says off
	require.Eventually(t, func() bool { return !isOn() }, 10*time.Second, 10*time.Millisecond)
	require.GreaterOrEqual(t, time.Since(last), 900*time.Millisecond, "off came before the silence was over")
}

func TestASupplyWithoutAWatchdogSetStaysOnInSilence(t *testing.T) {
	b := start(t, Options{})
	d := dial(t, b, "bus")
	d.do("OUTP:SIL 0.2", "OUTP:SIL 0", "VOLT 20", "CURR 1", "OUTP ON")
	require.Never(t, func() bool { return !b.plant.BusSupply().Read().On }, time.Second, 20*time.Millisecond)
}

func TestAWatchdogThatIsNotAcceptedReadsBackAsItWas(t *testing.T) {
	_, _, d := supplyBench(t, Options{}, "watchdog_not_accepted:bus")
	d.do("OUTP:SIL 3")
	require.Equal(t, `0.0E+00;0,"No error"`, d.ask("OUTP:SIL?;:SYST:ERR?"))
}
