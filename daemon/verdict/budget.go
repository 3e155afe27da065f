package verdict

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"benchwarden/instruments/coverage"
	"benchwarden/instruments/quantity"
)

// Kind is how a contribution to an uncertainty is stated.
type Kind string

// The kinds of contributions.
const (
	ErrorLimits     Kind = "limits of error"
	Step            Kind = "step of the indication"
	Expanded        Kind = "95 %"
	StandardKnown   Kind = "standard"
	StandardCounted Kind = "standard, from few readings"
)

// Part is one contribution, in the reading's unit.
type Part struct {
	Name     string         `json:"name"`
	Kind     Kind           `json:"kind"`
	Value    quantity.Value `json:"value"`             // as it is stated
	Standard quantity.Value `json:"standard"`          // as it counts
	Degrees  float64        `json:"degrees,omitempty"` // of freedom; 0: it is known well
}

// Budget combines independent contributions to the uncertainty of one reading, all in the unit of that reading. The zero
// value has none. Contributions that depend on each other must be added up before they are put in.
//
// Source: JCGM 100:2008 (GUM), 4.3.7, 5.1.2, F.2.2.1 and G.4.
type Budget struct {
	Parts []Part `json:"parts"`

	unit quantity.Unit // of contributions to come
}

// NewBudget is an empty budget of a reading in unit.
func NewBudget(unit quantity.Unit) *Budget { return &Budget{unit: unit} }

func (b *Budget) add(name string, kind Kind, stated, standard, degrees float64) {
	value := func(x float64) quantity.Value { return quantity.Value{Number: x, Unit: b.unit} }
	b.Parts = append(b.Parts, Part{Name: name, Kind: kind, Value: value(stated), Standard: value(standard), Degrees: degrees})
}

// Standard adds a standard uncertainty that is known well: infinitely many degrees of freedom.
func (b *Budget) Standard(name string, u float64) { b.add(name, StandardKnown, u, u, 0) }

// Estimated adds a standard uncertainty with its degrees of freedom; n-1 for the mean of n readings.
func (b *Budget) Estimated(name string, u, degrees float64) {
	b.add(name, StandardCounted, u, u, degrees)
}

// Half adds a 95 % half width that was combined elsewhere with the coverage factor 2.
func (b *Budget) Half(name string, half float64) { b.add(name, Expanded, half, half/2, 0) }

// Limits adds limits of error of ±half within which nothing is more likely than anything else: u = half/√3.
func (b *Budget) Limits(name string, half float64) {
	b.add(name, ErrorLimits, half, half/math.Sqrt(3), 0)
}

// Resolution adds an indication in steps: u = step/√12.
func (b *Budget) Resolution(name string, step float64) {
	b.add(name, Step, step, step/math.Sqrt(12), 0)
}

// Combined is the combined standard uncertainty, the root of the sum of squares.
func (b Budget) Combined() float64 {
	square := 0.0
	for _, p := range b.Parts {
		square += p.Standard.Number * p.Standard.Number
	}
	return math.Sqrt(square)
}

// Degrees are the effective degrees of freedom after Welch and Satterthwaite, not yet truncated.
func (b Budget) Degrees() float64 {
	freedom := 0.0
	for _, p := range b.Parts {
		if p.Degrees > 0 {
			freedom += math.Pow(p.Standard.Number, 4) / p.Degrees
		}
	}
	if freedom == 0 {
		return math.Inf(1)
	}
	return math.Pow(b.Combined(), 4) / freedom
}

// ample is where the coverage factor 2 is good enough: t is 2.009 at 50 degrees of freedom.
const ample = 50

// Expanded is the 95 % half width with its coverage factor. Without limits of error and steps that is 2; where these, which are
// rectangles, outweigh the rest it is less, down to 1.65. Where degrees of freedom are too few it is wider by Student's t.
// Limits of error that stand alone are their own half width, k = √3: nothing lies beyond them.
//
// Source: JCGM 100:2008 (GUM), G.2 and G.4.
func (b Budget) Expanded() (u, k float64) {
	if len(b.Parts) == 1 && b.Parts[0].Kind == ErrorLimits {
		return b.Parts[0].Value.Number, math.Sqrt(3)
	}
	combined, fourth := b.Combined(), 0.0
	for _, p := range b.Parts {
		if p.Kind == ErrorLimits || p.Kind == Step {
			fourth += math.Pow(p.Standard.Number, 4)
		}
	}
	k = 2
	if fourth > 0 {
		k = coverage.Factor(coverage.Rectangle * fourth / math.Pow(combined, 4))
	}
	if degrees := math.Max(1, math.Floor(b.Degrees())); degrees < ample {
		t := distuv.StudentsT{Sigma: 1, Nu: degrees}.Quantile(0.975)
		if k == 2 {
			k = t
		} else {
			k *= t / coverage.Normal
		}
	}
	return k * combined, k
}

// UpTo adds the part, stated as a 95 % half width, that makes the whole come to u; false where the parts come to more already.
func (b *Budget) UpTo(name string, u float64) bool {
	with := func(half float64) Budget {
		more := Budget{Parts: slices.Clone(b.Parts), unit: b.unit}
		more.Half(name, half)
		return more
	}
	low, high := 0.0, u
	if least, _ := with(0).Expanded(); !(least < u) {
		return false
	}
	for range 60 {
		half := (low + high) / 2
		if comes, _ := with(half).Expanded(); comes < u {
			low = half
		} else {
			high = half
		}
	}
	*b = with(high)
	return true
}
