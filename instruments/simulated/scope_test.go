package simulated

import (
	"encoding/binary"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/simulated/plant"
)

// The bits of the operation condition register, SCPI-99 volume 2, chapter 20.
const (
	measuring = 16
	waiting   = 32
)

func (d *dialogue) state() int {
	d.t.Helper()
	n, err := strconv.Atoi(d.ask("STAT:OPER:COND?"))
	require.NoError(d.t, err)
	return n
}

// preamble is the answer to TRACe:PREamble? in its seven numbers.
func (d *dialogue) preamble(channel int) (p [7]float64) {
	d.t.Helper()
	fields := strings.Split(d.ask(fmt.Sprintf("TRAC:PRE? CH%d", channel)), ",")
	require.Len(d.t, fields, 7)
	for i, f := range fields {
		x, err := strconv.ParseFloat(f, 64)
		require.NoError(d.t, err)
		p[i] = x
	}
	return p
}

// volts reads a trace in FORMat INTeger,8.
func (d *dialogue) volts(channel int) []float64 {
	d.t.Helper()
	p := d.preamble(channel)
	data := d.block(fmt.Sprintf("TRAC:DATA? CH%d", channel))
	require.Len(d.t, data, int(p[0]))
	v := make([]float64, len(data))
	for i, code := range data {
		v[i] = float64(int8(code))*p[3] + p[4]
	}
	return v
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// onControl is a bench with the control supply at 24 V and the scope set to P3, which is there: 40 V full scale about 20 V.
func onControl(t *testing.T, o Options, faults ...string) *dialogue {
	t.Helper()
	b := start(t, o, faults...)
	c := dial(t, b, "control")
	c.send("SET:U 24.00", "SET:I 1.000", "OUT:1")
	c.until("ASK:U", func(a string) bool { return strings.HasPrefix(a, "U 23.9") || strings.HasPrefix(a, "U 24") })
	d := dial(t, b, "scope")
	d.do("INP3 ON;:INP3:ATT 10;:SENS3:VOLT:RANG:PTP 40;OFFS 20")
	return d
}

func TestScopeSettingsAnswerAsSet(t *testing.T) {
	d := dial(t, start(t, Options{}), "scope")
	for _, c := range []struct{ set, ask, want string }{
		{"INP2 ON", "INP2?", "1"},
		{"INPUT4:STATE OFF", "INPUT4:STATE?", "0"},
		{"INP2:ATT 10", "INP2:ATT?", "1.0E+01"},
		{"SENS2:VOLT:RANG:PTP 50", "SENSE2:VOLTAGE:RANGE:PTPEAK?", "5.0E+01"},
		{"SENS2:VOLT:RANG:OFFS -5", "SENS2:VOLT:RANG:OFFS?", "-5.0E+00"},
		{"SENS:SWE:POIN 1000000", "SENS:SWE:POIN?", "1000000"},
		{"SENS:SWE:TINT 4 NS", "SENS:SWE:TINT?", "4.0E-09"},
		{"SENS:SWE:OREF:LOC 0.1", "SENS:SWE:OREF:LOC?", "1.0E-01"},
		{"SENS:DET PPEAK", "SENS:DET:FUNC?", "PPE"},
		{"SENS:DET:FUNC SAMP", "SENS:DET?", "SAMP"},
		{"TRIG:SOUR INT3", "TRIG:SOUR?", "INT3"},
		{"TRIG:SOUR IMMEDIATE", "TRIG:SOUR?", "IMM"},
		{"TRIG:LEV 2.5", "TRIG:LEV?", "2.5E+00"},
		{"TRIG:SLOP EITHER", "TRIG:SLOP?", "EITH"},
		{"FORM:DATA INT,16", "FORM:DATA?", "INT,16"},
		{"FORM:BORD SWAP", "FORM:BORDER?", "SWAP"},
		{"*RST", "FORM?;:FORM:BORD?;:TRIG:SOUR?;:INP1?;:INP2?", "INT,8;NORM;IMM;1;0"},
	} {
		d.send(c.set)
		require.Equal(t, c.want, d.ask(c.ask), c.set)
		require.Equal(t, `0,"No error"`, d.ask("SYST:ERR?"), c.set)
	}
	for _, c := range []struct{ send, want string }{
		{"SENS:SWE:POIN 1000001", `-222,"Data out of range;1.000001e+06 is outside 10 to 1e+06"`},
		{"SENS:SWE:TINT 3E-9", `-222,"Data out of range;3e-09 is outside 4e-09 to 0.1"`},
		{"SENS1:VOLT:RANG:PTP 101", `-222,"Data out of range;101 is outside 0.04 to 100"`},
		{"INP5 ON", `-114,"Header suffix out of range;INP5"`},
		{"TRIG:SOUR INT5", `-224,"Illegal parameter value;INT5"`},
		{"FORM:DATA INT,12", `-224,"Illegal parameter value;INTeger,12: 8 and 16 bits are there"`},
		{"FORM:DATA REAL,32", `-224,"Illegal parameter value;REAL"`},
		{"TRIG:IMM", `-211,"Trigger ignored;nothing waits for a trigger"`},
		{"SENS:SWE:POIN 1000000;TINT 0.1;:INIT", `-221,"Settings conflict;a record of 100000 s is longer than 25 s"`},
	} {
		d.send(c.send)
		require.Equal(t, c.want, d.ask("SYST:ERR?"), c.send)
	}
	for _, c := range []struct{ send, want string }{
		{"TRAC:DATA? CH1", `-230,"Data corrupt or stale;nothing was acquired on CH1"`},
		{"TRAC:PRE? CH5", `-224,"Illegal parameter value;CH5"`},
		{"TRAC:PRE?", `-109,"Missing parameter"`},
	} {
		d.send(c.send) // no answer comes
		require.Equal(t, c.want, d.ask("SYST:ERR?"), c.send)
	}
}

func TestScopeReadsAKnownVoltageWithinItsAccuracy(t *testing.T) {
	for seed := range uint64(5) {
		d := onControl(t, Options{Plant: plant.Options{Seed: seed}})
		d.do("INIT")
		v := d.volts(3)
		require.Len(t, v, 1000)
		// The control supply is off by at most 0.05 % and 10 mV, its load pulls no more than 20 mV, half a step is 78 mV; noise and
		// steps average out.
		require.InDelta(t, 24, mean(v), 24*scopeGain+scopeOffset+0.012+0.010+0.02+0.02, "seed %d", seed)
		low, high := extent(v)
		require.Less(t, high-low, 6*40.0/256, "noise of less than a step, on 8 bits")
		require.Greater(t, high-low, 0.0)
	}
}

func extent(v []float64) (low, high float64) {
	low, high = v[0], v[0]
	for _, x := range v {
		low, high = min(low, x), max(high, x)
	}
	return low, high
}

func TestAWrongProbeFactorIsVisible(t *testing.T) {
	d := onControl(t, Options{})
	d.do("INP3:ATT 1", "SENS3:VOLT:RANG:PTP 8;OFFS 0", "INIT")
	require.InDelta(t, 2.4, mean(d.volts(3)), 0.08, "the probe divides by ten, the scope multiplies by one")
}

func TestClippedCodesAreTheOnesThePreambleNames(t *testing.T) {
	d := onControl(t, Options{})
	d.do("SENS3:VOLT:RANG:PTP 10;OFFS 0", "INIT")
	p := d.preamble(3)
	require.Equal(t, [2]float64{-128, 127}, [2]float64{p[5], p[6]})
	for _, code := range d.block("TRAC:DATA? CH3") {
		require.Equal(t, int8(127), int8(code))
	}
	d.do("SENS3:VOLT:RANG:OFFS 60", "INIT")
	for _, code := range d.block("TRAC:DATA? CH3") {
		require.Equal(t, int8(-128), int8(code))
	}
}

func TestSixteenBitsInEitherByteOrderSayTheSame(t *testing.T) {
	d := onControl(t, Options{})
	d.do("SENS:SWE:POIN 100", "INIT")
	want := d.volts(3)
	for border, order := range map[string]binary.ByteOrder{"NORM": binary.BigEndian, "SWAP": binary.LittleEndian} {
		d.do("FORM INT,16", "FORM:BORD "+border)
		p := d.preamble(3)
		require.Equal(t, [2]float64{-32768, 32512}, [2]float64{p[5], p[6]})
		data := d.block("TRAC? CH3")
		require.Len(t, data, 200)
		for i := range want {
			require.InDelta(t, want[i], float64(int16(order.Uint16(data[2*i:])))*p[3]+p[4], 1e-9)
		}
	}
}

func TestAFullRecordComesWhole(t *testing.T) {
	d := onControl(t, Options{})
	d.do("SENS:SWE:POIN 1000000;TINT 4E-9", "INIT")
	d.send("TRAC:DATA? CH3")
	head := make([]byte, 9)
	for i := range head {
		c, err := d.in.ReadByte()
		require.NoError(t, err)
		head[i] = c
	}
	require.Equal(t, "#71000000", string(head))
	_, err := d.in.Discard(1_000_000)
	require.NoError(t, err)
	require.Equal(t, "", d.line())
}

func TestScopeWaitsForItsTriggerAndPutsItWhereItWasTold(t *testing.T) {
	b := start(t, Options{})
	c, d := dial(t, b, "control"), dial(t, b, "scope")
	c.send("SET:U 24.00", "SET:I 3.000")
	d.do("INP3 ON;:INP3:ATT 10;:SENS3:VOLT:RANG:PTP 40;OFFS 10", "SENS:SWE:POIN 1000;TINT 20 US;OREF:LOC 0.2",
		"TRIG:SOUR INT3;LEV 12;SLOP POS")
	d.send("INIT")
	d.until("STAT:OPER:COND?", func(a string) bool { return a == "32" })
	d.send("INIT")
	require.Equal(t, `-213,"Init ignored;an acquisition is under way"`, d.ask("SYST:ERR?"))
	d.send("TRAC:DATA? CH3")
	require.Equal(t, `-230,"Data corrupt or stale;the acquisition is under way"`, d.ask("SYST:ERR?"))
	c.send("OUT:1")
	d.until("STAT:OPER:COND?", func(a string) bool { return a == "0" })
	require.Equal(t, 0, d.state()&(measuring|waiting))
	p, v := d.preamble(3), d.volts(3)
	require.InDelta(t, -0.2*1000*20e-6, p[2], 1e-12, "the record starts a fifth of itself before the trigger")
	require.Less(t, mean(v[100:180]), 12.0)
	require.Greater(t, mean(v[220:300]), 12.0)
	require.InDelta(t, 12, mean(v[195:206]), 0.5, "the level is crossed at the trigger")
}

func TestTriggerCanBeForcedAndGivenUp(t *testing.T) {
	d := onControl(t, Options{})
	d.do("TRIG:SOUR INT3;LEV 30;SLOP EITH")
	d.send("INIT")
	d.until("STAT:OPER:COND?", func(a string) bool { return a == "32" })
	d.send("TRIG:IMM")
	require.Equal(t, "1", d.ask("*OPC?"), "done")
	require.Len(t, d.volts(3), 1000)
	d.send("INIT")
	d.until("STAT:OPER:COND?", func(a string) bool { return a == "32" })
	d.do("ABOR")
	require.Equal(t, 0, d.state())
	d.send("TRAC:DATA? CH3")
	require.Contains(t, d.ask("SYST:ERR?"), "-230,", "nothing is kept of what was given up")
}

func TestOperationCompleteIsTheEndOfTheAcquisition(t *testing.T) {
	b := start(t, Options{})
	d, other := dial(t, b, "scope"), dial(t, b, "scope")
	d.do("TRIG:SOUR INT1;LEV 50")
	d.send("INIT;*OPC?")
	other.until("STAT:OPER:COND?", func(a string) bool { return a == "32" })
	other.send("ABOR")
	require.Equal(t, "1", d.line(), "another connection is served meanwhile")
}

func TestGatesOfALegThroughTheProbes(t *testing.T) {
	b := start(t, Options{Params: brushed()})
	person, c, contacts := dial(t, b, "person"), dial(t, b, "control"), dial(t, b, "contacts")
	person.do(`PERS:FIT "switch_node_jumpers"`, `PERS:FIT "gate_capacitors"`, `PERS:PLAC "P1","gate:A.high"`, `PERS:PLAC "P2","gate:A.low"`)
	contacts.do("ROUT:CLOS (@1)")
	c.send("SET:U 24.00", "SET:I 3.000", "OUT:1")
	d := dial(t, b, "scope")
	d.do("INP1 ON;:INP2 ON;:INP1:ATT 10;:INP2:ATT 10;:SENS1:VOLT:RANG:PTP 20;OFFS 5;:SENS2:VOLT:RANG:PTP 20;OFFS 5",
		"SENS:SWE:POIN 20000;TINT 10 NS;OREF:LOC 0.1", "TRIG:SOUR INT1;LEV 5;SLOP POS")
	d.send("INIT")
	require.Equal(t, "1", d.ask("*OPC?"), "an idle locked anti-phase drive switches at 50 %")
	high, low := d.volts(1), d.volts(2)
	both, top := 0, 0
	for i := range high {
		if high[i] > 5 {
			top++
			if low[i] > 5 {
				both++
			}
		}
	}
	require.Zero(t, both, "never both")
	require.InDelta(t, 0.5, float64(top)/float64(len(high)), 0.2)
	_, most := extent(high)
	require.InDelta(t, 10, most, 1)
}

func TestPeakDetectionSeesWhatSamplingMisses(t *testing.T) {
	b := start(t, Options{Params: brushed()})
	person, c, contacts := dial(t, b, "person"), dial(t, b, "control"), dial(t, b, "contacts")
	person.do(`PERS:FIT "switch_node_jumpers"`, `PERS:PLAC "P2","gate:A.low"`)
	contacts.do("ROUT:CLOS (@1)")
	c.send("SET:U 24.00", "SET:I 3.000", "OUT:1")
	d := dial(t, b, "scope")
	d.do("INP2 ON;:INP2:ATT 10;:SENS2:VOLT:RANG:PTP 20;OFFS 5", "TRIG:SOUR INT2;LEV 5;SLOP POS")
	d.send("INIT")
	require.Equal(t, "1", d.ask("*OPC?"), "it switches")
	// One sample a millisecond, 18 periods of 55 us: sampled it is high or low by chance, peak detection sees both each time.
	d.do("TRIG:SOUR IMM", "SENS:SWE:POIN 100;TINT 0.001", "SENS:DET PPE", "INIT")
	v := d.volts(2)
	for i := 0; i+1 < len(v); i += 2 {
		require.Less(t, v[i], 1.5, "sample %d is a lowest voltage", i)
		require.Greater(t, v[i+1], 8.5, "sample %d is a highest voltage", i+1)
	}
}

func TestAHangingProbeSeesNothing(t *testing.T) {
	d := dial(t, start(t, Options{}), "scope")
	d.do("INP4 ON;:INP4:ATT 10", "INIT")
	require.Less(t, math.Abs(mean(d.volts(4))), scopeOffset)
}

func TestAPulledPlugEndsAWaitingAcquisition(t *testing.T) {
	b := start(t, Options{})
	d := dial(t, b, "scope")
	d.send("TRIG:SOUR INT1;LEV 50", "INIT;*OPC?")
	other := dial(t, b, "scope")
	other.until("STAT:OPER:COND?", func(a string) bool { return a == "32" })
	began := time.Now()
	require.NoError(t, b.Close())
	require.Less(t, time.Since(began), 5*time.Second)
	require.Empty(t, d.closed())
}

func TestARecordInPiecesIsTheRecordInOne(t *testing.T) {
	b, k := powered(t, Options{})
	for name := range b.params.Permissives {
		b.plant.Contact(name).Set(true)
	}
	require.NoError(t, b.plant.Fit("switch_node_jumpers"))
	require.NoError(t, b.plant.Place("P1", "gate:A.low"))
	from := k.now()
	k.advance(100 * time.Millisecond)
	v := vertical{on: true, attenuation: probeFactor, span: 20, offset: 5}
	for _, interval := range []float64{4e-9, 1e-7} {
		w := sweep{points: 5*piece + 8, interval: interval}
		r := b.scope.take(t.Context(), 0, v, w, from)
		whole, err := b.plant.Capture("gate:A.low", from, quantity.Seconds(interval), w.points, false)
		require.NoError(t, err)
		low, high := 0, 0
		for i, x := range whole {
			got := float64(r.codes[i])*r.scale + r.offset
			require.InDelta(t, x, got, math.Abs(float64(x))*scopeGain+scopeOffset+3*r.scale, "sample %d at %g s", i, interval)
			if x > 5 {
				high++
			} else {
				low++
			}
		}
		require.Greater(t, min(low, high), 100, "there were edges")
	}
}
