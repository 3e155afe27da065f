package simulated

import (
	"fmt"
	"math"
	"strings"

	"benchwarden/instruments/simulated/plant"
)

// coldTests are a meter's functions for a dead drive.
var coldTests = map[string]string{"RES": "ohms", "FRES": "ohms", "DIOD": "diode"}

// coldAccuracy is how a meter reads a dead drive: its limits of error, and what its leads add.
type coldAccuracy struct {
	gain, offset float64 // part of the reading; base unit
	leads        float64 // ohm
}

// The bench's meter and the person's hand-held one. The bench files state these limits.
var (
	benchMeter = map[string]coldAccuracy{"ohms": {0.0005, 0.02, 0.12}, "diode": {0.0002, 0.0015, 0}}
	handMeter  = map[string]coldAccuracy{"ohms": {0.01, 0.2, 0.25}, "diode": {0.01, 0.005, 0}}
)

// coldMeter is one meter on a dead drive, by test.
type coldMeter map[string]deviation

func newColdMeter(d *dice, accuracy map[string]coldAccuracy) coldMeter {
	m := coldMeter{}
	for test, a := range accuracy {
		m[test] = within(d, a.gain, a.offset)
	}
	return m
}

// read is a true value as the meter shows it with its leads in series.
func (m coldMeter) read(test string, x, leads float64) float64 {
	if math.IsInf(x, 0) || math.IsNaN(x) {
		return x
	}
	return max(0, m[test].read(x+leads))
}

// readCold is what lies between two leads, "bus+|phase:A".
func readCold(p *plant.Plant, test, leads string) (float64, error) {
	high, low, _ := strings.Cut(leads, "|")
	switch test {
	case "ohms":
		r, err := p.Ohms(high, low)
		return float64(r), err
	case "diode":
		v, err := p.Drop(high, low)
		return float64(v), err
	}
	return 0, fmt.Errorf("there is no test %q on a dead drive", test)
}

// betweenLeads is what the bench's meter has between its leads, over the matrix when that is closed, and what leads and paths add.
func (b *Bench) betweenLeads(test string) (x, leads float64, err error) {
	pair, paths, switched := b.matrix.leads()
	if !switched {
		pair, paths = b.plant.PointOf("M1"), 0
	}
	x, err = readCold(b.plant, test, pair)
	if test != "ohms" {
		return x, 0, err
	}
	return x, benchMeter[test].leads + paths, err
}
