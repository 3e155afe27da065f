package simulated

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/simulated/plant"
)

// supplyBench is a bench on a clock of its own and a dialogue with its bus supply.
func supplyBench(t *testing.T, o Options, faults ...string) (*Bench, *clock, *dialogue) {
	t.Helper()
	c := newClock()
	o.Plant.Now = c.now
	b := start(t, o, faults...)
	return b, c, dial(t, b, "bus")
}

func (d *dialogue) bits() int {
	d.t.Helper()
	n, err := strconv.Atoi(d.ask("STAT:QUES:COND?"))
	require.NoError(d.t, err)
	return n
}

func TestSupplyAnswersAsItWasSet(t *testing.T) {
	_, _, d := supplyBench(t, Options{})
	for _, c := range []struct{ set, ask, want string }{
		{"VOLT 24", "VOLT?", "2.4E+01"},
		{"SOURCE:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE 2500 MV", "volt?", "2.5E+00"},
		{"VOLT MAX", "VOLT?;VOLT? MIN", "9.0E+01;0.0E+00"},
		{"CURR 500 MA", "CURR?", "5.0E-01"},
		{"VOLT:PROT 30", "VOLT:PROT?", "3.0E+01"},
		{"CURR:PROT 0.5;PROT:STAT ON", "CURR:PROT?;PROT:STAT?", "5.0E-01;1"},
		{"CURR:PROT:STAT OFF", "CURR:PROT:STAT?", "0"},
		{"VOLT:PROT:STAT ON", "VOLT:PROT:STAT?", "1"},
		{"OUTP OFF", "OUTP?", "0"},
		{"*RST", "VOLT?;CURR?;OUTP?;:CURR:PROT:STAT?", "0.0E+00;0.0E+00;0;0"},
	} {
		d.send(c.set)
		require.Equal(t, c.want, d.ask(c.ask), c.set)
		require.Equal(t, `0,"No error"`, d.ask("SYST:ERR?"), c.set)
	}
}

func TestSupplyRefusesByTheStandardsNumbers(t *testing.T) {
	// The numbers and texts are those of SCPI-99 volume 2, clause 21.8.
	_, _, d := supplyBench(t, Options{})
	for _, c := range []struct{ send, want string }{
		{"VOLT 90.1", `-222,"Data out of range;90.1 is outside 0 to 90"`},
		{"VOLT -1", `-222,"Data out of range;-1 is outside 0 to 90"`},
		{"CURR 3.01", `-222,"Data out of range;3.01 is outside 0 to 3"`},
		{"VOLT:PROT 100", `-222,"Data out of range;100 is outside 0 to 99"`},
		{"VOLT 5 A", `-131,"Invalid suffix;A"`},
		{"VOLT", `-109,"Missing parameter"`},
		{"VOLT 1,2", `-108,"Parameter not allowed;VOLT"`},
		{"VOLZ 1", `-113,"Undefined header;VOLZ"`},
		{"OUTP? ON", `-108,"Parameter not allowed;OUTP?"`},
		{"OUTP MAYBE", `-224,"Illegal parameter value;MAYBE"`},
		{"OUTP2 ON", `-114,"Header suffix out of range;OUTP2"`},
		{"VOLT @", `-101,"Invalid character;@"`},
	} {
		d.send(c.send)
		require.Equal(t, c.want, d.ask("SYST:ERR?"), c.send)
	}
	require.Equal(t, "0.0E+00;0", d.ask("VOLT?;OUTP?"), "nothing of it was done")
}

func TestSupplyChargesTheBusInCCAndHoldsItInCV(t *testing.T) {
	b, c, d := supplyBench(t, Options{})
	d.do("VOLT 30", "CURR 0.1", "OUTP ON")
	require.Equal(t, "1", d.ask("OUTP?"))
	c.advance(100 * time.Millisecond)
	require.Equal(t, 1, d.bits(), "bit 0: the voltage is not regulated")
	before := d.number("MEAS:VOLT?")
	c.advance(100 * time.Millisecond)
	// I = C dU/dt: 0.1 A into 1000 uF and the supply's own 100 uF, less what bleeder and board take meanwhile.
	rise := d.number("MEAS:VOLT?") - before
	require.InDelta(t, 0.1*0.1/1100e-6, rise, 1.5)
	require.InDelta(t, 0.1, d.number("MEAS:CURR?"), 0.0015+0.00015)
	c.advance(2 * time.Second)
	require.Equal(t, 2, d.bits(), "bit 1: the current is not regulated")
	require.InDelta(t, 30, d.number("MEAS:VOLT?"), 30*0.0010+0.04)
	require.InDelta(t, float64(b.plant.BusTerminals()), d.number("MEAS:VOLT?"), 30*0.0005+0.02+0.01)
	require.Len(t, strings.Split(d.ask("MEAS:VOLT?;:MEAS:CURR?;:STAT:QUES:COND?;:OUTP?"), ";"), 4, "several in one message")
	d.do("OUTP OFF")
	require.Equal(t, 0, d.bits())
	require.Equal(t, "0", d.ask("OUTP?"))
	require.Greater(t, d.number("MEAS:VOLT?"), 29.0, "off is not down: the capacitors are charged")
}

func TestSupplyProtectionsTripAndStayTripped(t *testing.T) {
	for _, c := range []struct {
		name string
		set  []string
		bit  int
		ask  string
	}{
		{"over-voltage", []string{"VOLT:PROT 20", "VOLT 30", "CURR 3"}, 512, "VOLT:PROT:TRIP?"},
		{"over-current at a level of its own, below the current limit", []string{"CURR:PROT 0.2", "CURR:PROT:STAT ON", "VOLT 30", "CURR 3"}, 1024, "CURR:PROT:TRIP?"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, k, d := supplyBench(t, Options{})
			d.do(c.set...)
			require.Equal(t, "0", d.ask(c.ask))
			d.do("OUTP ON")
			k.advance(time.Second)
			require.Equal(t, "0", d.ask("OUTP?"))
			require.Equal(t, "1", d.ask(c.ask))
			require.Equal(t, c.bit, d.bits())
			d.do("OUTP ON")
			require.Equal(t, `-221,"Settings conflict;a protection has tripped and was not cleared"`, d.ask("SYST:ERR?"))
			require.Equal(t, "0", d.ask("OUTP?"))
			d.do("OUTP:PROT:CLE")
			require.Equal(t, "0", d.ask(c.ask))
			require.Equal(t, 0, d.bits())
			require.Equal(t, "0", d.ask("OUTP?"), "clearing does not switch on")
		})
	}
}

func TestOverCurrentBelowItsLevelDoesNotTripInCC(t *testing.T) {
	_, k, d := supplyBench(t, Options{})
	d.do("CURR:PROT 0.3", "CURR:PROT:STAT ON", "VOLT 30", "CURR 0.1", "OUTP ON")
	k.advance(200 * time.Millisecond)
	require.Equal(t, 1, d.bits(), "a ramp in CC has to survive")
	require.Equal(t, "1", d.ask("OUTP?"))
}

func TestVoltageProtectionAtZeroIsNotNone(t *testing.T) {
	_, k, d := supplyBench(t, Options{})
	d.do("VOLT:PROT 0", "VOLT 5", "CURR 1", "OUTP ON")
	k.advance(time.Second)
	require.Equal(t, "1", d.ask("VOLT:PROT:TRIP?"))
}

func TestReferenceGoesBothWays(t *testing.T) {
	k := newClock()
	b := start(t, Options{Plant: plant.Options{Now: k.now}})
	d := dial(t, b, "reference")
	d.do("VOLT -3", "OUTP ON")
	k.advance(time.Second)
	require.InDelta(t, -3, d.number("MEAS:VOLT?"), 3*0.0003+0.004)
	require.Equal(t, "-3.0E+00", d.ask("VOLT?"))
	d.do("VOLT 10.1")
	require.Equal(t, `-222,"Data out of range;10.1 is outside -10 to 10"`, d.ask("SYST:ERR?"))
	d.do("*RST")
	k.advance(time.Second)
	require.Equal(t, "0", d.ask("OUTP?"))
	require.InDelta(t, 0, d.number("MEAS:VOLT?"), 0.004)
}

func TestReadingsKeepTheAccuracyThatTheBenchFileStates(t *testing.T) {
	for seed := range uint64(15) {
		b, k, bus := supplyBench(t, Options{Plant: plant.Options{Seed: seed}})
		bus.do("VOLT 60", "CURR 3", "OUTP ON")
		k.advance(5 * time.Second)
		truth := float64(b.plant.BusTerminals())
		meter := dial(t, b, "bus_meter")
		for range 10 {
			require.InDelta(t, truth, meter.number("MEAS:VOLT:DC?"), truth*busMeterGain+busMeterOffset, "seed %d", seed)
			// The supply reads at its own terminals, 0.1 ohm from the drive.
			require.InDelta(t, truth, bus.number("MEAS:VOLT?"), truth*0.0005+0.02+0.01, "seed %d", seed)
		}
		amperes := bus.number("MEAS:CURR?")
		require.Less(t, math.Abs(amperes-2*truth/60*0.0175), 0.0045, "seed %d: about the quiescent current at 30 V, twice", seed)
		require.NoError(t, b.Close())
	}
}

func TestASecondConnectionSwitchesOffWhileTheFirstSwitchesOn(t *testing.T) {
	b := start(t, Options{Latency: 10})
	first, second := dial(t, b, "bus"), dial(t, b, "bus")
	first.send("VOLT 5;CURR 1", "OUTP ON;*OPC?")
	began := time.Now()
	second.send("OUTP OFF")
	require.Equal(t, "0", second.ask("OUTP?"))
	require.Less(t, time.Since(began), 290*time.Millisecond, "the first connection's 300 ms kept nobody waiting")
	require.Equal(t, "1", first.line(), "*OPC? comes when the output is on")
	require.GreaterOrEqual(t, time.Since(began), 250*time.Millisecond)
	require.Equal(t, "1", second.ask("OUTP?"), "an ON that was under way acts after the OFF: make-safe has to fence it")
}

func TestAnOnWhoseClientHangsUpStillActs(t *testing.T) {
	b := start(t, Options{Latency: 3})
	first := dial(t, b, "bus")
	first.send("OUTP ON")
	require.NoError(t, first.Close())
	second := dial(t, b, "bus")
	second.until("OUTP?", func(a string) bool { return a == "1" })
}

func TestManyConnectionsToOneInstrument(t *testing.T) {
	b := start(t, Options{})
	var all []*dialogue
	for range 50 {
		all = append(all, dial(t, b, "bus"))
	}
	for i, d := range all {
		d.do(fmt.Sprintf("VOLT %d", i))
		require.Equal(t, float64(i), all[(i*7)%50].number("VOLT?"), "one instrument behind all of them")
	}
	all[3].do("VOLT 1000")
	require.Equal(t, "1", all[4].ask("SYST:ERR:COUN?"), "one error queue too")
}
