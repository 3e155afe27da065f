package scpi

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The clauses named here are those of IEEE 488.2-1992 (chapters 10 and 11) and
// SCPI-99 volume 2 (chapters 20 and 21), as open SCPI libraries and the status
// chapters of supply and generator manuals quote them.

func TestIdentityHasFourFields(t *testing.T) {
	// IEEE 488.2 clause 10.14; 0 for a field that is not there: from memory.
	d := NewDevice([4]string{"Quayside", "Example", "", "1.0"})
	run(t, d.NewSession(), exchange{"*IDN?", "Quayside,Example,0,1.0"})
}

func TestPowerOnIsTold(t *testing.T) {
	// PON is bit 7 of the event status register; reading clears: clause 10.12.
	run(t, NewDevice([4]string{}).NewSession(), exchange{"*ESR?", "128"}, exchange{"*ESR?", "0"})
}

func TestSelfTestAndReset(t *testing.T) {
	d, _ := newBench()
	s := d.NewSession()
	run(t, s, exchange{"*TST?", "0"}, exchange{"*RST", ""}) // 0 is passed: clause 10.38
	resets := 0
	d.Reset = func() { resets++ }
	d.SelfTest = func() int { return 3 }
	run(t, s, exchange{"*RST;*TST?", "3"})
	require.Equal(t, 1, resets)
}

func TestResetLeavesTheStatusAlone(t *testing.T) {
	// Clause 10.32: not the event status register, enable registers, event
	// registers; nor the error queue (arbitrary-generator manual).
	d, _ := newBench()
	s := d.NewSession()
	run(t, s, exchange{"*ESE 32;*SRE 36;:STAT:QUES:ENAB 3;:NONSense", ""})
	d.Questionable.Set(0, true)
	run(t, s, exchange{"*RST", ""},
		exchange{"*ESE?;*SRE?;:STAT:QUES:ENAB?", "32;36;3"},
		exchange{"STAT:QUES?;:SYST:ERR:COUN?;*ESR?", "1;1;32"})
}

func TestClearLeavesTheEnableRegisters(t *testing.T) {
	// Clause 10.3.
	d, _ := newBench()
	s := d.NewSession()
	run(t, s, exchange{"*ESE 32;*SRE 36;:STAT:QUES:ENAB 3;:STAT:OPER:ENAB 5;:NONSense", ""})
	d.Questionable.Set(0, true)
	d.Operation.Set(2, true)
	run(t, s, exchange{"*CLS;*ESR?;*STB?", "0;16"}, // the answer to *ESR? is a message available
		exchange{"STAT:QUES?;QUES:COND?;ENAB?", "0;1;3"},
		exchange{"STAT:OPER:EVEN?;COND?;ENAB?", "0;4;5"},
		exchange{"SYST:ERR?;*ESE?;*SRE?", `0,"No error";32;36`})
}

func TestStatusByte(t *testing.T) {
	// Clauses 10.36 and 11.2: errors 4, questionable 8, message 16, event summary
	// 32, master summary 64, operation 128; ESB = (ESR & ESE) != 0,
	// MSS = (STB without bit 6 & SRE) != 0.
	d, _ := newBench()
	s := d.NewSession()
	run(t, s, exchange{"*STB?", "0"},
		exchange{"*IDN?;*STB?", "Quayside,Example,0,1.0;16"},
		exchange{"NONSense", ""}, exchange{"*STB?", "4"},
		exchange{"*ESE 32", ""}, exchange{"*STB?", "36"},
		exchange{"*SRE 32", ""}, exchange{"*STB?", "100"},
		exchange{"*STB?", "100"},                           // reading clears nothing
		exchange{"*SRE 255", ""}, exchange{"*SRE?", "191"}, // bit 6 is ignored: clause 10.34, from memory
		exchange{"*CLS;*ESE 0;*SRE 0", ""})
	d.Questionable.Set(9, true)
	d.Operation.Set(8, true)
	run(t, s, exchange{"*STB?", "0"},
		exchange{"STAT:QUES:ENAB 512", ""}, exchange{"*STB?", "8"},
		exchange{"STAT:OPER:ENAB 256", ""}, exchange{"*STB?", "136"},
		exchange{"STAT:QUES?", "512"}, exchange{"*STB?", "128"}) // the latch is read and cleared
}

func TestEnableMasksAreBytes(t *testing.T) {
	d, _ := newBench()
	s := d.NewSession()
	for _, send := range []string{"*ESE 256", "*ESE -1", "*SRE 256", "STAT:OPER:ENAB 65536", "STAT:QUES:NTR -1"} {
		run(t, s, exchange{send, ""})
		require.Equal(t, -222, d.Errors.next().Number, send)
	}
	run(t, s, exchange{"*ESE #HFF;*ESE?", "255"}, exchange{"*ESE 2.4E1;*ESE?", "24"}, exchange{"*ESE", ""})
	require.Equal(t, -109, d.Errors.next().Number)
	// Accepts 0 to 65535, reads back 0 to 32767: SCPI-99 clause 20.1.
	run(t, s, exchange{"STAT:OPER:ENAB 65535;ENAB?", "32767"})
}

func TestTransitionFilters(t *testing.T) {
	// event |= (rising & PTR) | (falling & NTR): computed from SCPI-99 chapter 20;
	// preset is ENABle 0, PTR 32767, NTR 0: clause 20.2.
	d, _ := newBench()
	s := d.NewSession()
	edges := func() {
		d.Questionable.Set(1, true)
		d.Questionable.Set(1, true)
		d.Questionable.Set(2, true)
		d.Questionable.Set(2, false)
	}
	run(t, s, exchange{"STAT:QUES:PTR?;NTR?;ENAB?", "32767;0;0"})
	edges()
	run(t, s, exchange{"STAT:QUES:EVEN?;COND?", "6;2"}, exchange{"STAT:QUES?", "0"})
	d.Questionable.Set(1, false)
	run(t, s, exchange{"STAT:QUES?", "0"}, exchange{"STAT:QUES:PTR 0;NTR 4;ENAB 6", ""})
	edges()
	run(t, s, exchange{"STAT:QUES?", "4"},
		exchange{"STAT:PRES;QUES:PTR?;NTR?;ENAB?", "32767;0;0"})
	require.Equal(t, uint16(2), d.Questionable.Condition())
	require.Panics(t, func() { d.Questionable.Set(15, true) }, "bit 15 is always 0")
}

func TestErrorQueue(t *testing.T) {
	// SYSTem:ERRor[:NEXT]?, :COUNt?, :ALL?: SCPI-99 clauses 21.8.8, 21.8.6, 21.8.5.
	d, _ := newBench()
	s := d.NewSession()
	run(t, s, exchange{"SYST:ERR?;ERR:NEXT?;COUN?;ALL?", `0,"No error";0,"No error";0;0,"No error"`},
		exchange{"A", ""}, exchange{"VOLT \"a", ""},
		exchange{"SYSTEM:ERROR:COUNT?", "2"},
		exchange{"SYST:ERR?", `-113,"Undefined header;A"`},
		exchange{"SYST:ERR?", `-151,"Invalid string data;no closing quote"`},
		exchange{"SYST:ERR?", `0,"No error"`},
		exchange{"A", ""}, exchange{`SYST:ERR? 1`, ""},
		exchange{"SYST:ERR:ALL?", `-113,"Undefined header;A",-108,"Parameter not allowed;SYST:ERR?"`},
		exchange{"SYST:ERR:COUN?", "0"},
		exchange{"SYST:VERS?", "1999.0"}) // YYYY.V: clause 4.2.1
}

func TestFullErrorQueueSaysSo(t *testing.T) {
	// The newest entry is replaced by -350; depths in print are 10, 20 and 30.
	for _, depth := range []int{0, 10, 30} {
		d, _ := newBench()
		if depth > 0 {
			d.Errors.SetDepth(depth)
		} else {
			depth = 20
		}
		s := d.NewSession()
		for range depth {
			run(t, s, exchange{"A", ""})
		}
		run(t, s, exchange{"*ESR?", "32"}, exchange{"B", ""}, exchange{"C", ""}, exchange{"*ESR?", "40"})
		require.Equal(t, depth, d.Errors.Len())
		for range depth - 1 {
			run(t, s, exchange{"SYST:ERR?", `-113,"Undefined header;A"`})
		}
		run(t, s, exchange{"SYST:ERR?", `-350,"Queue overflow"`}, exchange{"SYST:ERR?", `0,"No error"`})
	}
}

func TestErrorClassesSetTheirBits(t *testing.T) {
	d, _ := newBench()
	s := d.NewSession()
	for _, tt := range []struct {
		number int
		want   string
	}{{-113, "32"}, {-222, "16"}, {-330, "8"}, {201, "8"}, {-420, "4"}} {
		d.Report(NewError(tt.number, ""))
		run(t, s, exchange{"*ESR?", tt.want})
	}
	require.True(t, strings.HasPrefix(d.Errors.next().Entry(), "-113,"), "oldest first")
}
