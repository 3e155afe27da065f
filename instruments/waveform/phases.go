package waveform

import (
	"math"
	"math/cmplx"
)

// Sequence are the symmetrical components of three phasors, in their unit.
type Sequence struct{ Zero, Positive, Negative complex128 }

// Symmetrical resolves the phasors of phases a, b, c into zero, positive and negative sequence; the positive sequence has b
// lagging a by 120 degrees (C. L. Fortescue, 1918).
func Symmetrical(a, b, c complex128) Sequence {
	turn := cmplx.Rect(1, 2*math.Pi/3)
	back := cmplx.Conj(turn)
	return Sequence{Zero: (a + b + c) / 3, Positive: (a + turn*b + back*c) / 3, Negative: (a + back*b + turn*c) / 3}
}

// Unbalance is the negative over the positive sequence, 0 for a balanced system. It is NaN without a positive sequence.
func (s Sequence) Unbalance() float64 {
	if s.Positive == 0 {
		return math.NaN()
	}
	return cmplx.Abs(s.Negative) / cmplx.Abs(s.Positive)
}

// LineUnbalance is the same ratio from the fundamental magnitudes of the three line-to-line voltages alone, as in
// IEC 61000-4-30. It is NaN where no triangle has such sides: then one of the readings is wrong.
func LineUnbalance(ab, bc, ca float64) float64 {
	squares := ab*ab + bc*bc + ca*ca
	beta := (math.Pow(ab, 4) + math.Pow(bc, 4) + math.Pow(ca, 4)) / (squares * squares)
	room := 3 - 6*beta
	if !(min(ab, bc, ca) > 0) || !(room > -1e-12) {
		return math.NaN()
	}
	root := math.Sqrt(math.Max(0, room))
	return math.Sqrt(math.Max(0, (1-root)/(1+root)))
}
