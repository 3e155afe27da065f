package bench

import (
	"math"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// doubtful is the accuracy that is taken where the bench file states none: 1 % of reading and half a volt (practice).
var doubtful = verdict.Accuracy{Relative: 0.01, Absolute: 0.5}

// Accuracy is what the bench file states for a quantity of an instrument, ok false if it states nothing.
func (f *File) Accuracy(role, of string) (a verdict.Accuracy, ok bool) {
	in := f.Instruments[role]
	if in == nil {
		return doubtful, false
	}
	text, ok := in.Accuracy[of]
	if !ok {
		return doubtful, false
	}
	a, err := verdict.ParseAccuracy(text)
	if err != nil { // Validate refuses such a file
		return doubtful, false
	}
	return a, true
}

// uncertainty is the 95 % half width of a voltage that an instrument reads.
func (f *File) uncertainty(role string) func(quantity.Volts) quantity.Volts {
	a, _ := f.Accuracy(role, "voltage")
	return func(v quantity.Volts) quantity.Volts { return quantity.Volts(a.At(math.Abs(float64(v)))) }
}
