package verdict

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Budget combines independent contributions to the uncertainty of one reading, all in the unit of that reading. The zero
// value has none. Contributions that depend on each other must be added up before they are put in.
//
// Source: JCGM 100:2008 (GUM), 4.3.7, 5.1.2, F.2.2.1 and G.4.
type Budget struct {
	square  float64 // sum of u²
	freedom float64 // sum of u⁴/ν
}

// Standard adds a standard uncertainty that is known well: infinitely many degrees of freedom.
func (b *Budget) Standard(u float64) { b.Estimated(u, math.Inf(1)) }

// Estimated adds a standard uncertainty with its degrees of freedom; n-1 for the mean of n readings.
func (b *Budget) Estimated(u, degrees float64) {
	b.square += u * u
	b.freedom += u * u * u * u / degrees
}

// Limits adds limits of error of ±half within which nothing is more likely than anything else: u = half/√3.
func (b *Budget) Limits(half float64) { b.Standard(half / math.Sqrt(3)) }

// Resolution adds an indication in steps: u = step/√12.
func (b *Budget) Resolution(step float64) { b.Limits(step / 2) }

// Combined is the combined standard uncertainty, the root of the sum of squares.
func (b Budget) Combined() float64 { return math.Sqrt(b.square) }

// Degrees are the effective degrees of freedom after Welch and Satterthwaite, not yet truncated.
func (b Budget) Degrees() float64 {
	if b.freedom == 0 {
		return math.Inf(1)
	}
	return b.square * b.square / b.freedom
}

// ample is where the coverage factor 2 is good enough: t is 2.009 at 50 degrees of freedom.
const ample = 50

// Expanded is the 95 % half width with its coverage factor: 2, or Student's t at the truncated degrees of freedom where these
// are too few for that.
func (b Budget) Expanded() (u, k float64) {
	k = 2
	if degrees := math.Max(1, math.Floor(b.Degrees())); degrees < ample {
		k = distuv.StudentsT{Sigma: 1, Nu: degrees}.Quantile(0.975)
	}
	return k * b.Combined(), k
}
