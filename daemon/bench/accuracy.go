package bench

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// Stated is what a bench file says of an instrument's accuracy for one quantity: one statement, or one a range.
type Stated []StatedRange

// StatedRange is the statement for readings up to the end of a range, to both sides of zero.
type StatedRange struct {
	UpTo *quantity.Value `yaml:"up_to"` // missing in the last: it holds for whatever is larger
	Is   string          `yaml:"is" need:"true"`
}

// UnmarshalText reads one statement that holds for every reading.
func (s *Stated) UnmarshalText(text []byte) error {
	if strings.TrimSpace(string(text)) == "" {
		return errors.New(`has no statement; write it like "0.05 % of reading + 10 mV"`)
	}
	*s = Stated{{Is: string(text)}}
	return nil
}

// at is the statement for a reading, ok false beyond the last range.
func (s Stated) at(reading float64) (a verdict.Accuracy, ok bool) {
	for _, r := range s {
		if r.UpTo == nil || math.Abs(reading) <= r.UpTo.Number {
			a, err := verdict.ParseAccuracy(r.Is)
			return a, err == nil // Validate refuses a file with a statement that cannot be read
		}
	}
	return a, false
}

// ranges looks at one statement.
func (v *validation) ranges(key string, s Stated, unit quantity.Unit, name string) {
	for i, r := range s {
		at := key
		if len(s) > 1 || r.UpTo != nil {
			at = fmt.Sprintf("%s[%d]", key, i)
		}
		a, err := verdict.ParseAccuracy(r.Is)
		switch {
		case err != nil:
			v.fault(at, "%v", err)
		case a.Absolute != 0 && a.Unit != unit:
			v.fault(at, "%q is in %v, but a %s is in %v", r.Is, a.Unit, name, unit)
		}
		switch {
		case r.UpTo == nil && i < len(s)-1:
			v.fault(at+".up_to", "is missing: only the last range has no end")
		case r.UpTo == nil:
		case r.UpTo.Unit != unit:
			v.fault(at+".up_to", "%v is no %s; write it in %v", *r.UpTo, name, unit)
		case !(r.UpTo.Number > 0):
			v.fault(at+".up_to", "has to be above zero, not %v", *r.UpTo)
		case i > 0 && s[i-1].UpTo != nil && r.UpTo.Number <= s[i-1].UpTo.Number:
			v.fault(at+".up_to", "%v does not lie above %v of the range before", *r.UpTo, *s[i-1].UpTo)
		}
	}
	if len(s) == 0 {
		v.fault(key, `has no statement; write it like "0.05 %% of reading + 10 mV"`)
	}
}

// doubtful is the accuracy that is taken where the bench file states none: 1 % of reading and half a unit (practice).
func doubtful(of string) verdict.Accuracy {
	return verdict.Accuracy{Relative: 0.01, Absolute: 0.5, Unit: measurable[of]}
}

// AccuracyAt is what the bench file states for a quantity of an instrument at a reading, ok false if it states nothing for it.
func (f *File) AccuracyAt(role, of string, reading float64) (a verdict.Accuracy, ok bool) {
	if in := f.Instruments[role]; in != nil {
		if a, ok := in.Accuracy[of].at(reading); ok {
			return a, true
		}
	}
	return doubtful(of), false
}

// Accuracy is what holds for every reading: of several ranges the largest share and the largest fixed part.
func (f *File) Accuracy(role, of string) (worst verdict.Accuracy, ok bool) {
	in := f.Instruments[role]
	if in == nil || len(in.Accuracy[of]) == 0 {
		return doubtful(of), false
	}
	for _, r := range in.Accuracy[of] {
		a, err := verdict.ParseAccuracy(r.Is)
		if err != nil { // Validate refuses such a file
			return doubtful(of), false
		}
		worst.Relative, worst.Absolute, worst.Unit = max(worst.Relative, a.Relative), max(worst.Absolute, a.Absolute), measurable[of]
	}
	return worst, true
}

// uncertainty is the 95 % half width of a voltage that an instrument reads.
func (f *File) uncertainty(role string) func(quantity.Volts) quantity.Volts {
	return func(v quantity.Volts) quantity.Volts {
		a, _ := f.AccuracyAt(role, "voltage", float64(v))
		return quantity.Volts(a.At(float64(v)))
	}
}

// What a bench does with an instrument that is past its calibration.
const (
	SaidWhenDue      = "said_when_due" // the default: its checks say so
	UndecidedWhenDue = "undecided_when_due"
)

// PastCalibration is the date on which an instrument's calibration was due, empty on that day and before.
func (f *File) PastCalibration(role string, day time.Time) (due string) {
	in := f.Instruments[role]
	if in == nil || in.CalibrationDue == "" || day.Format(time.DateOnly) <= in.CalibrationDue {
		return ""
	}
	return in.CalibrationDue
}
