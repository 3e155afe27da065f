// Package coverage tells by what factor a combined standard uncertainty is multiplied to hold 95 %.
package coverage

// factors are pairs of excess kurtosis and coverage factor for 95 %: of one or two rectangles of different widths with or
// without a normal part, the largest for each kurtosis, computed by numerical convolution.
var factors = [...][2]float64{{-1.2, 1.6454}, {-1.18, 1.653}, {-1.11, 1.699}, {-1.02, 1.751}, {-0.82, 1.834}, {-0.67, 1.882},
	{-0.6, 1.902}, {-0.5, 1.915}, {-0.4, 1.938}, {-0.2, 1.942}, {-0.075, 1.953}, {0, Normal}}

// Normal is the factor of the normal distribution.
const Normal = 1.960

// Rectangle is the excess kurtosis of a rectangle; that of a sum is the mean of its parts' weighted by the squares of their
// shares in the square of the whole.
const Rectangle = -1.2

// Factor is the coverage factor for 95 % of a sum of rectangles and a normal part, by its excess kurtosis, on which it depends
// within 1 %: -1.2 is one rectangle (0.95·√3), -0.6 two equal ones (a triangle), 0 the normal distribution.
//
// Source: JCGM 100:2008 (GUM), G.1.3, G.2 and table G.1; JCGM 101:2008, 6.4.2, for the distributions.
func Factor(kurtosis float64) float64 {
	for i := 1; i < len(factors); i++ {
		a, b := factors[i-1], factors[i]
		if kurtosis <= b[0] {
			return a[1] + (b[1]-a[1])*max(0, kurtosis-a[0])/(b[0]-a[0])
		}
	}
	return Normal
}
