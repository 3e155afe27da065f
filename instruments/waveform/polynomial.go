package waveform

import "math"

// highestDegree is that of the curves that are fitted to peaks.
const highestDegree = 3

// normal are the normal equations of a polynomial with so many coefficients, fitted to values that are gathered in places.
type normal struct {
	order      int // coefficients
	a          matrix
	b          [highestDegree + 1]float64
	n, squares float64
	places     int
}

// add takes in n values at x, by their sum and the sum of their squares.
func (q *normal) add(x, n, sum, squares float64) {
	powers := powersOf(x)
	for i := range q.order {
		q.b[i] += powers[i] * sum
		for j := range q.order {
			q.a[i][j] += powers[i] * powers[j] * n
		}
	}
	q.n += n
	q.squares += squares
	q.places++
}

func powersOf(x float64) [highestDegree + 1]float64 { return [...]float64{1, x, x * x, x * x * x} }

// matrix holds the leading rows and columns of some order; the rest are not looked at.
type matrix [highestDegree + 1][highestDegree + 1]float64

// singular is the pivot at which places do not tell coefficients apart: x is in halves of the stretch that is fitted, so that pivots
// are of the number of values.
const singular = 1e-9

// invert by elimination with the largest pivot. An analysis inverts some eighty of these in a row, for which the general routines of a
// library, with their allocations, take a fifth of its time.
func (a matrix) invert(order int) (inverse matrix, ok bool) {
	for i := range order {
		inverse[i][i] = 1
	}
	for k := range order {
		pivot := k
		for i := k + 1; i < order; i++ {
			if math.Abs(a[i][k]) > math.Abs(a[pivot][k]) {
				pivot = i
			}
		}
		if math.Abs(a[pivot][k]) < singular {
			return matrix{}, false
		}
		a[k], a[pivot] = a[pivot], a[k]
		inverse[k], inverse[pivot] = inverse[pivot], inverse[k]
		for j := range order {
			inverse[k][j] /= a[k][k]
		}
		for j := order - 1; j >= k; j-- {
			a[k][j] /= a[k][k]
		}
		for i := range order {
			if i == k {
				continue
			}
			factor := a[i][k]
			for j := range order {
				a[i][j] -= factor * a[k][j]
				inverse[i][j] -= factor * inverse[k][j]
			}
		}
	}
	return inverse, true
}

// polynomial is a fit: its coefficients from the constant on, what they share of the scatter, and the sum of squares that is left.
type polynomial struct {
	order   int
	c       [highestDegree + 1]float64
	inverse matrix
	left    float64
}

// solve fits; false where the places do not tell the coefficients apart.
func (q *normal) solve() (p polynomial, ok bool) {
	inverse, ok := q.a.invert(q.order)
	if !ok {
		return polynomial{}, false
	}
	p = polynomial{order: q.order, inverse: inverse, left: q.squares}
	for i := range q.order {
		for j := range q.order {
			p.c[i] += p.inverse[i][j] * q.b[j]
		}
		p.left -= p.c[i] * q.b[i]
	}
	p.left = max(0, p.left)
	return p, true
}

// at is the value at x and its variance, in that of a single value.
func (p *polynomial) at(x float64) (value, variance float64) {
	powers := powersOf(x)
	for i := range p.order {
		value += p.c[i] * powers[i]
		for j := range p.order {
			variance += powers[i] * p.inverse[i][j] * powers[j]
		}
	}
	return value, max(0, variance)
}

// highest is where from least to most the polynomial is highest.
func (p *polynomial) highest(least, most float64) float64 {
	best := (least + most) / 2
	highest, _ := p.at(best)
	try := func(x float64) {
		if x < least || x > most {
			return
		}
		if y, _ := p.at(x); y > highest {
			best, highest = x, y
		}
	}
	try(least)
	try(most)
	if root := p.c[2]*p.c[2] - 3*p.c[1]*p.c[3]; root >= 0 { // the slope is c1 + 2·c2·x + 3·c3·x²
		q := -(p.c[2] + math.Copysign(math.Sqrt(root), p.c[2]))
		if q != 0 {
			try(p.c[1] / q)
		}
		if p.c[3] != 0 {
			try(q / (3 * p.c[3]))
		}
	}
	return best
}
