package picture

import (
	"fmt"
	"math"
	"strings"

	"benchwarden/instruments/quantity"
)

// dots of a braille character by column and row, from the top. Source: Unicode, block Braille Patterns.
var dots = [2][4]rune{{0x01, 0x02, 0x04, 0x40}, {0x08, 0x10, 0x20, 0x80}}

const emptyBraille = 0x2800

// beneath is what a cell is filled with where only what lies beneath passes through it.
const beneath = '░'

// Terminal draws the curves one below the other in characters, each as wide as asked, margin included, and so many lines high. A
// curve that lies beneath is drawn under the next one, on the same scale.
func (c Chart) Terminal(width, height int) string {
	var b strings.Builder
	var under []Curve
	for _, curve := range c.Curves {
		if curve.Beneath {
			under = append(under, curve)
			continue
		}
		c.terminal(&b, curve, under, width, height)
		under = nil
	}
	return b.String()
}

// margin is what stands left of a curve: the values of its highest and lowest line.
const margin = 11

func (c Chart) terminal(b *strings.Builder, curve Curve, under []Curve, width, height int) {
	columns := max(width-margin, 10)
	low, high := span(append(under, curve)...)
	left, right := ends(append(under, curve)...)
	cells := make([][]rune, height)
	for r := range cells {
		cells[r] = make([]rune, columns)
	}
	rows := 4 * height
	row := func(y float64) int { return min(max(int((high-y)/(high-low)*float64(rows)), 0), rows-1) }
	column := func(x float64) int {
		if right <= left {
			return 0
		}
		return min(int((x-left)/(right-left)*float64(2*columns)), 2*columns-1)
	}
	// Joined to the point before, over all columns between.
	fill := func(curve Curve, mark func(r, x int)) {
		var x0, high0, low0 int
		for i := range curve.X {
			x, low := column(curve.X[i]), row(curve.Y[i])
			high := low
			if curve.High != nil {
				high = row(curve.High[i])
			}
			if i == 0 {
				x0, high0, low0 = x, high, low
			}
			steps := max(x-x0, 1)
			for k := 1; k <= steps; k++ {
				between := func(a, b, k int) int { return a + (b-a)*k/steps }
				top := min(between(high0, high, k-1), between(high0, high, k), between(low0, low, k-1))
				bottom := max(between(low0, low, k-1), between(low0, low, k), between(high0, high, k-1))
				for r := top; r <= bottom; r++ {
					mark(r, min(x0+k, x))
				}
			}
			x0, high0, low0 = x, high, low
		}
	}
	fill(curve, func(r, x int) { cells[r/4][x/2] |= dots[x%2][r%4] })
	shaded := make([][]bool, height)
	for r := range shaded {
		shaded[r] = make([]bool, columns)
	}
	for _, u := range under {
		fill(u, func(r, x int) { shaded[r/4][x/2] = true })
	}
	fmt.Fprintf(b, "%s", curve.Name)
	for _, u := range under {
		fmt.Fprintf(b, ", over %c %s", beneath, u.Name)
	}
	fmt.Fprintln(b)
	for r, line := range cells {
		label := ""
		switch r {
		case 0:
			label = value(high, c.Y.Unit)
		case height - 1:
			label = value(low, c.Y.Unit)
		}
		for i := range line {
			if line[i] += emptyBraille; line[i] == emptyBraille && shaded[r][i] {
				line[i] = beneath
			}
		}
		fmt.Fprintf(b, "%*s │%s\n", margin-2, label, string(line))
	}
	end := value(right, c.X.Unit)
	start := value(left, c.X.Unit)
	fmt.Fprintf(b, "%*s%s%*s\n", margin, "", start, max(columns-len([]rune(start)), 1), end)
}

func value(x float64, u quantity.Unit) string {
	return quantity.Digits(quantity.Value{Number: x, Unit: u}, math.Abs(x)*0.05)
}

func span(curves ...Curve) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, c := range curves {
		for i := range c.Y {
			low, high = min(low, c.Y[i]), max(high, c.Y[i])
			if c.High != nil {
				high = max(high, c.High[i])
			}
		}
	}
	if low == high {
		pad := math.Max(math.Abs(low)*0.1, 1e-9)
		return low - pad, high + pad
	}
	return low, high
}

// ends are the first and the last value along the x axis.
func ends(curves ...Curve) (left, right float64) {
	left, right = math.Inf(1), math.Inf(-1)
	for _, c := range curves {
		left, right = min(left, c.X[0]), max(right, c.X[len(c.X)-1])
	}
	return left, right
}
