package drive

import (
	"math"

	"benchwarden/instruments/quantity"
)

// Preferred is a value that resistors are made with.
type Preferred struct {
	Series string // E24: parts of 5 %, E96: parts of 1 %
	Value  quantity.Ohms
}

// e24 are the two-digit values, which for historical reasons are not everywhere those of the geometric series.
//
// Source: IEC 60063:2015, series E24.
var e24 = []float64{1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1}

// e96 are 10^(i/96) with three digits (IEC 60063:2015, series E96).
func e96() (values []float64) {
	for i := range 96 {
		values = append(values, math.Round(100*math.Pow(10, float64(i)/96))/100)
	}
	return values
}

// NearestPreferred are the values that a resistor which reads so may have been made with: the nearest of E24 and of E96, each
// where the reading's 95 % half width u does not reach beyond half a step of its series. It is a hint for who looks at a part: in
// circuit, what lies in parallel makes it read less. None for what is not above zero and finite.
func NearestPreferred(reading, u quantity.Ohms) (found []Preferred) {
	r := float64(reading)
	if !(r > 0) || math.IsInf(r, 1) || !(u >= 0) {
		return nil
	}
	decade := math.Pow(10, math.Floor(math.Log10(r)))
	for _, series := range []struct {
		name   string
		values []float64
	}{{"E24", e24}, {"E96", e96()}} {
		if halfStep := math.Pow(10, 0.5/float64(len(series.values))) - 1; float64(u) > halfStep*r {
			continue
		}
		nearest := 10.0 // the first of the next decade
		for _, v := range series.values {
			if math.Abs(math.Log(r/decade/v)) < math.Abs(math.Log(r/decade/nearest)) {
				nearest = v
			}
		}
		value := quantity.Ohms(nearest * decade)
		if len(found) > 0 && math.Abs(float64(value/found[0].Value)-1) < 1e-9 {
			continue // both series have it
		}
		found = append(found, Preferred{Series: series.name, Value: value})
	}
	return found
}

// String is "2.4 Ω (E24)".
func (p Preferred) String() string { return p.Value.Value().String() + " (" + p.Series + ")" }
