package waveform

import (
	"math"

	"benchwarden/instruments/coverage"
)

// budget combines independent contributions to the uncertainty of one value, all in its unit: what scatters (normal) and
// what lies anywhere within limits (rectangular). The zero value has none.
//
// Source: JCGM 100:2008 (GUM), 4.3.7, 5.1.2, G.2 and G.4; JCGM 101:2008, 6.4.2.
type budget struct {
	square float64 // sum of u²
	fourth float64 // sum of u⁴ of the rectangular ones
	doubt  float64 // sum of u⁴ over degrees of freedom, of those estimated from few readings
}

// scatters adds a standard uncertainty.
func (b *budget) scatters(u float64) { b.square += u * u }

// estimated adds a standard uncertainty that was estimated with so many degrees of freedom.
func (b *budget) estimated(u float64, degrees int) {
	b.square += u * u
	b.doubt += u * u * u * u / float64(max(degrees, 1))
}

// within adds limits of ±half within which nothing is more likely than anything else.
func (b *budget) within(half float64) {
	u2 := half * half / 3
	b.square += u2
	b.fourth += u2 * u2
}

// plus adds another budget, of a quantity that moves this one factor times as much.
func (b *budget) plus(o budget, factor float64) {
	f2 := factor * factor
	b.square += o.square * f2
	b.fourth += o.fourth * f2 * f2
	b.doubt += o.doubt * f2 * f2
}

// standard is the combined standard uncertainty.
func (b budget) standard() float64 { return math.Sqrt(b.square) }

// expanded is the half width that holds 95 %. What the sum of rectangles and a normal part comes to depends, within
// 1 %, on its excess kurtosis alone: -1.2 is one rectangle (0.95·√3), -0.6 two equal ones (a triangle), 0 the normal
// distribution. What is estimated from few readings widens it by Student's t at the effective degrees of freedom.
func (b budget) expanded() float64 {
	if b.square == 0 {
		return 0
	}
	k := coverage.Factor(coverage.Rectangle * b.fourth / (b.square * b.square))
	if b.doubt > 0 {
		if degrees := b.square * b.square / b.doubt; degrees < 100 {
			k *= studentT(int(degrees)) / coverage.Normal
		}
	}
	return k * b.standard()
}

// stated is a value with what its budget comes to.
func stated(value float64, b budget) Measure {
	return known(value, b.expanded()/2)
}

// portion is one named contribution to a budget.
type portion struct {
	name string
	of   budget
}

// statedBy is stated with the contributions kept, each with the coverage factor of the whole; those of zero are left out.
func statedBy(value float64, portions ...portion) Measure {
	var whole budget
	for _, p := range portions {
		whole.plus(p.of, 1)
	}
	m := stated(value, whole)
	for _, p := range portions {
		if m.Known() && p.of.square != 0 {
			m.Parts = append(m.Parts, Part{Name: p.name, U: p.of.standard() * whole.expanded() / whole.standard()})
		}
	}
	return m
}
