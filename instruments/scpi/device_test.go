package scpi

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/require"
)

// exchange is one program message and the answer it must get ("" for none).
type exchange struct{ send, want string }

func run(t *testing.T, s *Session, dialogue ...exchange) {
	t.Helper()
	for _, e := range dialogue {
		require.Equal(t, e.want, string(s.Execute([]byte(e.send))), "answer to %s", e.send)
	}
}

// bench is a device with some commands of a supply and a switch unit, and a
// record of what they did.
func newBench() (*Device, *[]string) {
	d := NewDevice([4]string{"Quayside", "Example", "", "1.0"})
	d.takeEvent() // power-on has a test of its own
	done := new([]string)
	note := func(name string) Command {
		return Command{
			Do: func(c *Call) error {
				*done = append(*done, name)
				return nil
			},
			Ask: func(c *Call) (string, error) { return name, nil },
		}
	}
	d.Handle("OUTPut<n>[:STATe]", Command{
		Takes: 1,
		Do: func(c *Call) error {
			on, err := c.Bool(0)
			if err == nil {
				*done = append(*done, fmt.Sprintf("output %d %v", c.Suffix(0), on))
			}
			return err
		},
		Ask: func(c *Call) (string, error) { return fmt.Sprint("output ", c.Suffix(0)), nil },
	})
	d.Handle("OUTPut<n>:PROTection:CLEar", note("clear"))
	d.Handle("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", note("volt"))
	d.Handle("[SOURce:]VOLTage:PROTection[:LEVel]", note("ovp"))
	d.Handle("[SOURce:]CURRent[:LEVel]", note("curr"))
	d.Handle("MEASure[:SCALar]:VOLTage[:DC]", note("meas volt"))
	d.Handle("MEASure[:SCALar]:CURRent[:DC]", note("meas curr"))
	d.Handle("SOURce:HALL:LINE<1..3>", Command{Ask: func(c *Call) (string, error) { return fmt.Sprint("line ", c.Suffix(0)), nil }})
	d.Handle("*TRG", note("trigger"))
	return d, done
}

func TestBothFormsOfAMnemonicAndNoOther(t *testing.T) {
	// Short forms computed by the rule of SCPI-99 volume 1, clause 6.2.1 (four
	// letters, three where the fourth is a vowel), as multimeter manuals state it;
	// TCouple is an exception in print.
	forms := map[string]string{
		"IMMediate": "IMM", "TIMer": "TIM", "OUTPut": "OUTP", "ASYNchronous": "ASYN", "FORMat": "FORM", "DELay": "DEL",
		"VOLTage": "VOLT", "CURRent": "CURR", "PROTection": "PROT", "MEASure": "MEAS", "CONFigure": "CONF",
		"SOURce": "SOUR", "SYSTem": "SYST", "ERRor": "ERR", "STATus": "STAT", "QUEStionable": "QUES", "OPERation": "OPER",
		"ROUTe": "ROUT", "CLOSe": "CLOS", "OPEN": "OPEN", "LEVel": "LEV", "FETCh": "FETC", "READ": "READ",
		"INITiate": "INIT", "WAVeform": "WAV", "PREamble": "PRE", "BORDer": "BORD", "TCouple": "TC",
	}
	for pattern, short := range forms {
		t.Run(pattern, func(t *testing.T) {
			d := NewDevice([4]string{})
			d.Handle("TEST:"+pattern, Command{Ask: func(*Call) (string, error) { return "yes", nil }})
			s := d.NewSession()
			long := strings.ToUpper(pattern)
			for n := 1; n <= len(long); n++ {
				want := ""
				if long[:n] == short || long[:n] == long {
					want = "yes"
				}
				run(t, s, exchange{"TEST:" + long[:n] + "?", want}, exchange{"test:" + strings.ToLower(long[:n]) + "?", want})
			}
			run(t, s, exchange{"TEST:" + long + "S?", ""})
		})
	}
}

func TestHeaders(t *testing.T) {
	tests := []struct {
		name, send, want string
		done             []string
		error            int
	}{
		{name: "optional nodes omitted", send: "VOLT?", want: "volt"},
		{name: "optional nodes sent", send: "SOURCE:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE?", want: "volt"},
		{name: "some of them sent", send: "sour:volt:ampl?", want: "volt"},
		{name: "in another order they are undefined", send: "VOLT:AMPL:LEV?", error: -113},
		{name: "leading colon", send: ":VOLT?", want: "volt"},
		{name: "white space around", send: " \tVOLT? \r", want: "volt"},
		{name: "nothing at all is no error", send: " \r", want: ""},
		// Path rules: SCPI-99 volume 1 clause 6.2.4 and the test data of an open
		// SCPI library (SYST:VERS?;ERR?), synthesized-generator manual.
		{name: "after a semicolon the path stays", send: "SYST:VERS?;ERR?", want: `1999.0;0,"No error"`},
		{name: "it stays as it was sent", send: "MEAS:VOLT?;CURR?", want: "meas volt;meas curr"},
		{name: "omitted nodes are not in it", send: "VOLT?;CURR?", want: "volt;curr"},
		{name: "a deeper path", send: "VOLT:LEV?;PROT?;PROT:LEV?", want: "volt;ovp;ovp"},
		{name: "a colon starts at the root", send: "MEAS:VOLT?;:CURR?", want: "meas volt;curr"},
		{name: "without it the root is out of reach", send: "MEAS:VOLT?;SYST:VERS?", want: "meas volt", error: -113},
		{name: "a common command leaves the path", send: "SYST:VERS?;*TRG?;ERR?", want: `1999.0;trigger;0,"No error"`},
		{name: "suffixes stay in the path", send: "OUTP2:STAT?;STAT ON;PROT:CLE", want: "output 2", done: []string{"output 2 true", "clear"}},
		// Numeric suffixes: SCPI-99 volume 1 clause 6.2.5.2, as quoted by an open
		// SCPI library.
		{name: "an absent suffix is 1", send: "OUTP?;OUTP1?;OUTPUT1?", want: "output 1;output 1;output 1"},
		{name: "suffix on both forms", send: "OUTP12?;:OUTPUT12:STATE?", want: "output 12;output 12"},
		{name: "suffix 0 is out of range", send: "OUTP0?", error: -114},
		{name: "suffix past its range", send: "SOUR:HALL:LINE3?;LINE4?", want: "line 3", error: -114},
		{name: "suffix past any integer", send: "V99999999999?", error: -114},
		{name: "suffix 1 where there is none", send: "MEAS1:VOLT1?", want: "meas volt"},
		{name: "another suffix where there is none", send: "MEAS:VOLT2?", error: -114},
		{name: "undefined", send: "POWer?", error: -113},
		{name: "only part of a header", send: "MEAS?", error: -113},
		{name: "no query form", send: "OUTP:PROT:CLE?;*CLS?", want: "clear", error: -113},
		{name: "query only", send: "SYST:VERS", error: -113},
		{name: "undefined common command", send: "*XYZ", error: -113},
		{name: "a common command has no suffix", send: "*RST2", error: -113},
		{name: "mnemonic of 12 characters", send: "ABCDEFGHIJKL", error: -113},
		{name: "mnemonic of 13 characters", send: "ABCDEFGHIJKLM", error: -112},
		{name: "invalid character", send: "VOLT$?", error: -101},
		{name: "invalid character first", send: "@VOLT?", error: -101},
		{name: "brackets are never sent", send: "[SOUR:]VOLT?", error: -101},
		{name: "a byte past ASCII", send: "VOLT\xb5?", error: -101},
		{name: "no white space before a number", send: "OUTP:STAT?;STAT+1", want: "output 1", error: -111},
		{name: "no white space before a string", send: `OUTP"ON"`, error: -111},
		{name: "no white space before a list", send: `OUTP(@1)`, error: -111},
		{name: "white space before the question mark", send: "VOLT ?", error: -101},
		{name: "two colons", send: "MEAS::VOLT?", error: -102},
		{name: "colon at the end", send: "MEAS:", error: -102},
		{name: "colon before a common command", send: ":*IDN?", error: -101},
		{name: "nothing between semicolons", send: "VOLT;;CURR", done: []string{"volt"}, error: -102},
		{name: "nothing after the last semicolon", send: "VOLT;", done: []string{"volt"}, error: -102},
		// What is before the bad unit runs, what is behind it does not: multimeter
		// programmer's manual, "Command Execution Rules".
		{name: "a bad unit stops the message", send: "VOLT?;CURR;VOLTA;CURR;CURR?", want: "volt", done: []string{"curr"}, error: -113},
		{name: "so does one that fails", send: "VOLT;OUTP MAYBE;CURR", done: []string{"volt"}, error: -224},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			d, done := newBench()
			s := d.NewSession()
			require.Equal(t, tt.want, string(s.Execute([]byte(tt.send))))
			require.Equal(t, tt.error, d.Errors.next().Number)
			require.Zero(t, d.Errors.Len(), "one error for one message")
			require.Equal(t, tt.done, *done)
		})
	}
}

func TestOneAnswerLineForSeveralQueries(t *testing.T) {
	// V?;C? answers 1.0;2.0 in one line: multimeter programmer's manual, note 5.
	d := NewDevice([4]string{})
	d.Handle("V", Command{Ask: func(*Call) (string, error) { return "1.0", nil }})
	d.Handle("C", Command{Ask: func(*Call) (string, error) { return "2.0", nil }})
	d.Handle("EMPTy", Command{Ask: func(*Call) (string, error) { return "", nil }})
	s := d.NewSession()
	run(t, s, exchange{"V?;C?", "1.0;2.0"}, exchange{"EMPT?;V?", ";1.0"})
	require.NotNil(t, s.Execute([]byte("EMPT?")), "an empty answer is one")
	require.Nil(t, s.Execute([]byte("*CLS")))
}

func TestHandlerErrorsReachTheQueue(t *testing.T) {
	d := NewDevice([4]string{})
	d.Handle("OWN", Command{Do: func(*Call) error { return fmt.Errorf("fan: %w", NewError(201, "fan stuck")) }})
	d.Handle("PLAIn", Command{Do: func(*Call) error { return errors.New("fan stuck") }})
	run(t, d.NewSession(),
		exchange{"*ESR?", "128"},
		exchange{"OWN", ""}, exchange{"*ESR?", "8"},
		exchange{"PLAI", ""}, exchange{"*ESR?", "16"},
		exchange{"SYST:ERR:ALL?", `201,"fan stuck",-200,"Execution error;fan stuck"`},
	)
}

func TestTreeRefusesMistakesOfTheProgram(t *testing.T) {
	ask := Command{Ask: func(*Call) (string, error) { return "", nil }}
	for _, pattern := range []string{"", "voltage", "VOLTage2", "VOLT age", "[SOURce", "[SOURce:]", "VOLTage:", "OUTPut<n", "OUTPut<3..1>",
		"OUTPut<x>", "ABCDEFGHIJKLM", "A::B", "A[B]", ":A"} {
		t.Run(pattern, func(t *testing.T) {
			require.Panics(t, func() { NewTree().Handle(pattern, ask) })
		})
	}
	t.Run("a form that is taken", func(t *testing.T) {
		tree := NewTree()
		tree.Handle("[SOURce:]VOLTage", ask)
		require.Panics(t, func() { tree.Handle("VOLTage[:LEVel]", ask) })
		require.Panics(t, func() { tree.Handle("VOLTs", ask) }, "VOLT would mean two things")
		require.NotPanics(t, func() { tree.Handle("VOLTage", Command{Do: func(*Call) error { return nil }}) })
		tree.Handle("*TRG", ask)
		require.Panics(t, func() { tree.Handle("*trg", ask) })
	})
}

func TestSessionsShareTheDeviceAndNotTheirPaths(t *testing.T) {
	d, _ := newBench()
	a, b := d.NewSession(), d.NewSession()
	run(t, a, exchange{"MEAS:VOLT?", "meas volt"})
	run(t, b, exchange{"CURR?", "curr"}, exchange{"NONSense", ""})
	run(t, a, exchange{"CURR?", "curr"}, exchange{"SYST:ERR?", `-113,"Undefined header;NONSense"`})
}

func TestInterruptedIsAQueryError(t *testing.T) {
	// -410: a new message before the answer was read, SCPI-99 volume 2 clause 21.8.
	d, _ := newBench()
	s := d.NewSession()
	s.Interrupted()
	run(t, s, exchange{"*ESR?", "4"}, exchange{"SYST:ERR?", `-410,"Query INTERRUPTED"`})
}

func TestWaitingSessionDoesNotHoldTheOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, done := newBench()
		settled := make(chan struct{})
		d.Pending = func() <-chan struct{} { return settled }
		waiting := d.NewSession()
		answers := make(chan string, 2)
		go func() { answers <- string(waiting.Execute([]byte("OUTP ON;*OPC?"))) }()
		go func() { answers <- string(d.NewSession().Execute([]byte("*WAI;VOLT?"))) }()
		synctest.Wait()
		require.Empty(t, answers, "both wait for the operation")
		run(t, d.NewSession(), exchange{"OUTP OFF;:SYST:ERR?", `0,"No error"`})
		require.Equal(t, []string{"output 1 true", "output 1 false"}, *done)
		close(settled)
		synctest.Wait()
		require.ElementsMatch(t, []string{"1", "volt"}, []string{<-answers, <-answers})
	})
}

func TestClosingASessionEndsItsWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, done := newBench()
		d.Pending = func() <-chan struct{} { return make(chan struct{}) }
		s := d.NewSession()
		answer := make(chan []byte, 1)
		go func() { answer <- s.Execute([]byte("VOLT?;*OPC?;OUTP ON")) }()
		synctest.Wait()
		s.Close()
		s.Close()
		require.Nil(t, <-answer)
		require.Empty(t, *done, "what follows the wait is not carried out")
		require.Zero(t, d.Errors.Len())
	})
}

func TestOperationCompleteBit(t *testing.T) {
	// *OPC sets bit 0 of the event status register when all operations are done,
	// *OPC? sets no bit: IEEE 488.2 clauses 10.18 and 10.19.
	d, _ := newBench()
	s := d.NewSession()
	run(t, s, exchange{"*OPC?", "1"}, exchange{"*ESR?", "0"}, exchange{"*OPC", ""}, exchange{"*ESR?", "1"})

	settled := make(chan struct{})
	d.Pending = func() <-chan struct{} { return settled }
	run(t, s, exchange{"*OPC", ""}, exchange{"*ESR?", "0"})
	close(settled)
	run(t, s, exchange{"*ESR?", "1"}, exchange{"*ESR?", "0"})

	// *CLS and *RST cancel it: IEEE 488.2 clause 10.3, and 10.32 from memory.
	for _, cancel := range []string{"*CLS", "*RST"} {
		settled = make(chan struct{})
		run(t, s, exchange{"*OPC", ""}, exchange{cancel, ""})
		close(settled)
		run(t, s, exchange{"*ESR?", "0"})
	}
}

func TestConcurrentSessions(t *testing.T) {
	d, _ := newBench()
	answers := make(chan string)
	const sessions, times = 8, 50
	for range sessions {
		go func() {
			s := d.NewSession()
			for range times {
				answers <- string(s.Execute([]byte("OUTP ON;:STAT:QUES:COND?;:MEAS:VOLT?;CURR?")))
			}
		}()
	}
	for i := range sessions * times {
		d.Questionable.Set(1, i%2 == 0)
		require.Regexp(t, `^[02];meas volt;meas curr$`, <-answers)
	}
}
