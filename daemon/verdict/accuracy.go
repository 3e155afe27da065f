package verdict

import (
	"fmt"
	"math"
	"strings"

	"benchwarden/instruments/quantity"
)

// Accuracy is what a data sheet states of an instrument: limits of error on either side of the true value.
type Accuracy struct {
	Relative quantity.Ratio // of the reading
	Absolute float64        // in the base unit of Unit
	Unit     quantity.Unit  // of Absolute; One where the statement has a relative part only
}

// ParseAccuracy reads a statement of accuracy: "0.05 % of reading + 10 mV", "10 mV", "0.1 % of 100 V + 5 mV" where the
// instrument is specified in proportion to a range. A share of nobody knows what is refused, as is an instrument
// without any error.
func ParseAccuracy(text string) (Accuracy, error) {
	var a Accuracy
	statement := strings.TrimPrefix(strings.TrimSpace(text), "±")
	for part := range strings.SplitSeq(statement, "+") {
		if err := a.include(strings.TrimSpace(part)); err != nil {
			return Accuracy{}, fmt.Errorf("accuracy %q: %w", text, err)
		}
	}
	if !finite(float64(a.Relative)) || !finite(a.Absolute) {
		return Accuracy{}, fmt.Errorf("accuracy %q: the sum is too large", text)
	}
	if a.Relative == 0 && a.Absolute == 0 {
		return Accuracy{}, fmt.Errorf("accuracy %q: no instrument is without error; write what its data sheet states", text)
	}
	return a, nil
}

// include adds one part of a statement.
func (a *Accuracy) include(part string) error {
	if part == "" {
		return fmt.Errorf(`a part is missing; write it like "0.05 %% of reading + 10 mV"`)
	}
	share, of, hasOf := strings.Cut(part, " of ")
	v, err := quantity.Parse(share)
	switch {
	case err != nil:
		return err
	case v.Number < 0:
		return fmt.Errorf("%q is below zero; it is meant to both sides", part)
	case hasOf && v.Unit != quantity.Percent:
		return fmt.Errorf("%q: only a share in %% can be of something", part)
	case hasOf:
		return a.includeShare(v.Number, strings.TrimSpace(of))
	case v.Unit == quantity.Percent:
		return fmt.Errorf(`%q of what? write "%s of reading", or of a range as in "%s of 100 V"`, part, part, part)
	}
	return a.includeAbsolute(v)
}

func (a *Accuracy) includeShare(share float64, of string) error {
	switch of {
	case "reading":
		a.Relative += quantity.Ratio(share)
		return nil
	case "range", "full scale", "scale":
		return fmt.Errorf(`"of %s": write the range itself, for example "of 100 V"`, of)
	}
	full, err := quantity.Parse(of)
	if err != nil {
		return fmt.Errorf(`"of %s": write "of reading", or of a range as in "of 100 V"`, of)
	}
	if full.Unit == quantity.Percent || !(full.Number > 0) {
		return fmt.Errorf(`"of %s" is no range; write for example "of 100 V"`, of)
	}
	return a.includeAbsolute(full.Scale(share))
}

func (a *Accuracy) includeAbsolute(v quantity.Value) error {
	if a.Unit != quantity.One && a.Unit != v.Unit {
		return fmt.Errorf("%v and %v are mixed; all parts are of one reading", a.Unit, v.Unit)
	}
	a.Unit = v.Unit
	a.Absolute += v.Number
	return nil
}

// String is the statement as a data sheet writes it.
func (a Accuracy) String() string {
	var parts []string
	if a.Relative != 0 {
		parts = append(parts, fmt.Sprintf("%v of reading", a.Relative))
	}
	if a.Absolute != 0 {
		parts = append(parts, quantity.Value{Number: a.Absolute, Unit: a.Unit}.String())
	}
	return strings.Join(parts, " + ")
}

// At is the 95 % half width at a reading, both in the base unit: the stated limits of error themselves. Where the error is
// spread evenly between the limits they hold more than 95 % of it, so this is on the careful side for a single reading;
// where several contributions are combined, a Budget takes the same limits as a rectangle.
func (a Accuracy) At(value float64) float64 { return float64(a.Relative)*math.Abs(value) + a.Absolute }
