package waveform

import (
	"fmt"
	"math"
)

// Measure is one measured parameter in base units with its expanded uncertainty (95 %; more where its comment or the test
// of it says that it is a bound), or the reason why it cannot be told.
type Measure struct {
	Value float64 `json:"value"`
	U     float64 `json:"u"`
	// Undecided is empty for a good value; else it says in words why there is none, and Change what would give one.
	Undecided string `json:"undecided,omitempty"`
	Change    string `json:"change,omitempty"`
	// AtMost is an upper bound that holds although the value is undecided; 0 where there is none.
	AtMost float64 `json:"at_most,omitempty"`
	// AtLeast is a lower bound of the same kind.
	AtLeast float64 `json:"at_least,omitempty"`
	// Parts are what U is the root of the sum of squares of, where the analysis can tell them apart.
	Parts []Part `json:"parts,omitempty"`
}

// Part is one contribution to an uncertainty.
type Part struct {
	Name string  `json:"name"`
	U    float64 `json:"u"` // 95 % half width, in the measure's unit
}

// Known tells whether there is a value.
func (m Measure) Known() bool { return m.Undecided == "" }

func known(value, standard float64) Measure {
	if u := 2 * standard; !math.IsInf(value+u, 0) && !math.IsNaN(value+u) {
		return Measure{Value: value, U: u}
	}
	return undecided("choose a smaller full scale or look at the trace", "the signal stands still where an instant is looked for, so that it cannot be told")
}

// share is a contribution to be combined by knownBy.
type share struct {
	name     string
	standard float64
}

// knownBy is known with the contributions kept; those of zero are left out.
func knownBy(value float64, shares ...share) Measure {
	square := 0.0
	for _, s := range shares {
		square += s.standard * s.standard
	}
	m := known(value, math.Sqrt(square))
	for _, s := range shares {
		if m.Known() && s.standard != 0 {
			m.Parts = append(m.Parts, Part{Name: s.name, U: 2 * math.Abs(s.standard)})
		}
	}
	return m
}

func undecided(change, format string, args ...any) Measure {
	return Measure{Undecided: fmt.Sprintf(format, args...), Change: change}
}

// quadrature is the root of the sum of squares.
func quadrature(parts ...float64) float64 {
	var sum float64
	for _, p := range parts {
		sum += p * p
	}
	return math.Sqrt(sum)
}

// tally gathers values one at a time.
type tally struct {
	n               int
	first           float64 // the sums run over what differs from it, so that they stay exact
	sum, square     float64
	least, greatest float64
}

func (t *tally) add(v float64) {
	if t.n == 0 {
		t.first, t.least, t.greatest = v, v, v
	}
	t.n++
	d := v - t.first
	t.sum += d
	t.square += d * d
	t.least, t.greatest = min(t.least, v), max(t.greatest, v)
}

// mean is 0 without values.
func (t *tally) mean() float64 { return t.first + t.sum/float64(max(t.n, 1)) }

// deviation is the sample standard deviation, 0 for fewer than two values.
func (t *tally) deviation() float64 {
	if t.n < 2 {
		return 0
	}
	n := float64(t.n)
	return math.Sqrt(max(0, t.square-t.sum*t.sum/n) / (n - 1))
}
