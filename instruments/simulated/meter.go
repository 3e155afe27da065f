package simulated

import (
	"math"

	"benchwarden/instruments/scpi"
)

// Accuracies of the meters: part of the reading, volts.
const (
	busMeterGain   = 0.0005
	busMeterOffset = 0.02
	meterGain      = 0.0002
	meterOffset    = 0.002
	meterRange     = 1000 // V
	currentGain    = 0.001
	currentOffset  = 0.002 // A
)

// newMeter makes a meter whose leads stand where volts looks; cold reads resistance and diode drop between them. Current has a reading
// where the meter stands in a phase's lead; what there is none of, those where cold is nil too, is answered so.
func (b *Bench) newMeter(role string, gain, offset float64, volts func() float64, cold func(test string) (x, leads float64, err error)) *scpiInstrument {
	m := b.newSCPI(role, "meter")
	own, ammeter := within(m.dice, gain, offset), within(m.dice, currentGain, currentOffset)
	dead := newColdMeter(newDice(b.seed, role+" cold"), benchMeter)
	function := "VOLT"
	read := func(what string) float64 {
		if test := coldTests[what]; test != "" && cold != nil {
			x, leads, err := cold(test)
			if err != nil {
				return math.NaN()
			}
			if what == "FRES" {
				leads = 0
			}
			return m.harm.reading(what, dead.read(test, x, leads), true)
		}
		if amperes, ok := b.plant.Current(b.plant.PointOf("M1")); ok && role == "meter" && what == "CURR" {
			return m.harm.reading(what, ammeter.read(float64(amperes)), true)
		}
		if what != "VOLT" {
			return math.NaN() // answered as 9.91E37
		}
		x := m.harm.reading(what, own.read(volts()), true)
		switch {
		case x > meterRange:
			return math.Inf(1) // answered as 9.9E37
		case x < -meterRange:
			return math.Inf(-1)
		}
		return x
	}
	for pattern, what := range map[string]string{
		"VOLTage[:DC]": "VOLT", "CURRent[:DC]": "CURR", "RESistance": "RES", "FRESistance": "FRES", "DIODe": "DIOD",
	} {
		m.timed("MEASure[:SCALar]:"+pattern, readingTime, func() float64 {
			function = what
			return read(what)
		})
		m.action("CONFigure[:SCALar]:"+pattern, func() error {
			function = what
			return nil
		})
	}
	m.query("CONFigure", func(*scpi.Call) (string, error) { return `"` + function + `"`, nil })
	m.timed("READ", readingTime, func() float64 { return read(function) })
	m.Reset = func() { function = "VOLT" }
	return m
}
