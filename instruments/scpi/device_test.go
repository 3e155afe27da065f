package scpi

import (
	"testing"

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

func TestCompoundMessageAnswersOneLine(t *testing.T) {
	d := NewDevice([4]string{"Quayside", "Example", "", "1.0"})
	volts := 0.0
	r := Range{Unit: "V", Max: 100}
	d.Handle("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", Command{Takes: 1, AskTakes: 1,
		Do: func(c *Call) (err error) {
			x, err := c.Ranged(0, r)
			if err == nil {
				volts = x
			}
			return err
		},
		Ask: func(c *Call) (string, error) {
			x, err := c.Bound(0, r, volts)
			return FormatNumber(x), err
		}})
	run(t, d.NewSession(),
		exchange{"*IDN?", "Quayside,Example,0,1.0"},
		exchange{"VOLT 72", ""},
		exchange{"SOUR:VOLT:LEV?;LEV:IMM:AMPL? MAX;*OPC?", "7.2E+01;1.0E+02;1"},
		exchange{"VOLT 500 mV;VOLT 101;VOLT 3", ""},
		exchange{"VOLT?;SYST:ERR?", `5.0E-01;-222,"Data out of range;101 is outside 0 to 100"`},
		exchange{"SYST:ERR?", `0,"No error"`},
	)
}
