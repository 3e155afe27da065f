package scpi_test

import (
	"fmt"

	"benchwarden/instruments/scpi"
)

// A small supply: one setting with its range, the query of both, and a bit that
// tells a condition.
func ExampleDevice() {
	d := scpi.NewDevice([4]string{"Quayside", "Simulated supply", "S1", "1.0"})
	level := scpi.Range{Unit: "V", Min: 0, Max: 60, Default: 0}
	volts := 0.0
	d.Handle("[SOURce:]VOLTage[:LEVel]", scpi.Command{
		Takes: 1,
		Do: func(c *scpi.Call) error {
			x, err := c.Ranged(0, level)
			if err != nil {
				return err
			}
			volts = x
			d.Questionable.Set(0, volts > 50)
			return nil
		},
		AskTakes: 1,
		Ask: func(c *scpi.Call) (string, error) {
			x, err := c.Bound(0, level, volts)
			return scpi.FormatNumber(x), err
		},
	})

	s := d.NewSession()
	defer s.Close()
	s.Execute([]byte("VOLT 52500 MV"))
	fmt.Println(string(s.Execute([]byte("VOLT?;VOLT? MAX;:STAT:QUES:COND?"))))
	s.Execute([]byte("VOLT 61"))
	fmt.Println(string(s.Execute([]byte("SYST:ERR?"))))
	// Output:
	// 5.25E+01;6.0E+01;1
	// -222,"Data out of range;61 is outside 0 to 60"
}
