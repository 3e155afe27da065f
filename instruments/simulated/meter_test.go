package simulated

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/simulated/plant"
)

func TestMeterReadsWhereThePersonPutIt(t *testing.T) {
	b, _ := powered(t, Options{})
	d, person := dial(t, b, "meter"), dial(t, b, "person")
	require.InDelta(t, 0, d.number("MEAS:VOLT:DC?"), meterOffset, "leads hang free")
	person.do(`PERS:PLAC "M1","control"`)
	require.InDelta(t, 24, d.number("MEAS:VOLT:DC?"), 24*0.0012+0.03)
	person.do(`PERS:PLAC "M1","rail:logic"`)
	d.do("CONF:VOLT:DC")
	require.InDelta(t, 5, d.number("READ?"), 0.02)
	require.Equal(t, `"VOLT"`, d.ask("CONF?"))
}

func TestMeterHasNoNumberForWhatTheModelDoesNotHave(t *testing.T) {
	// SCPI-99 volume 1: 9.91E37 is not a number, a client must not take it for one.
	d := dial(t, start(t, Options{}), "meter")
	for _, question := range []string{"MEAS:CURR:DC?", "MEAS:RES?", "MEAS:DIOD?"} {
		require.Equal(t, "9.91E+37", d.ask(question), question)
	}
	require.Equal(t, "9.91E+37", d.ask("CONF:RES;:READ?"))
	require.Equal(t, `0,"No error"`, d.ask("SYST:ERR?"))
}

func TestMeterBeyondItsRangeSaysSo(t *testing.T) {
	b := start(t, Options{})
	volts := 1200.0
	m := b.newMeter("other", meterGain, meterOffset, func() float64 { return volts }, nil)
	s := m.NewSession()
	defer s.Close()
	require.Equal(t, "9.9E+37", string(s.Execute([]byte("READ?"))))
	volts = -1200
	require.Equal(t, "-9.9E+37", string(s.Execute([]byte("READ?"))))
}

func TestBusMeterFollowsTheBusDown(t *testing.T) {
	k := newClock()
	b := start(t, Options{Plant: plant.Options{Now: k.now}})
	bus, meter := dial(t, b, "bus"), dial(t, b, "bus_meter")
	bus.do("VOLT 60;CURR 3;:OUTP ON")
	k.advance(2 * time.Second)
	require.InDelta(t, 60, meter.number("MEAS:VOLT:DC?"), 0.1)
	bus.do("OUTP OFF")
	last := 60.1
	for range 10 {
		k.advance(500 * time.Millisecond)
		now := meter.number("MEAS:VOLT:DC?")
		require.Less(t, now, last)
		last = now
	}
	require.Less(t, last, 10.0, "bleeder and board have taken most of it in 5 s")
}
