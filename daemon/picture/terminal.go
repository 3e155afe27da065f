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

// Terminal draws the curves one below the other in characters, each as wide as asked, margin included, and so many lines high.
func (c Chart) Terminal(width, height int) string {
	var b strings.Builder
	for _, curve := range c.Curves {
		c.terminal(&b, curve, width, height)
	}
	return b.String()
}

// margin is what stands left of a curve: the values of its highest and lowest line.
const margin = 11

func (c Chart) terminal(b *strings.Builder, curve Curve, width, height int) {
	columns := max(width-margin, 10)
	low, high := span(curve)
	cells := make([][]rune, height)
	for r := range cells {
		cells[r] = make([]rune, columns)
	}
	rows := 4 * height
	row := func(y float64) int { return min(max(int((high-y)/(high-low)*float64(rows)), 0), rows-1) }
	left, right := curve.X[0], curve.X[len(curve.X)-1]
	for i := range curve.X {
		x := 0
		if right > left {
			x = min(int((curve.X[i]-left)/(right-left)*float64(2*columns)), 2*columns-1)
		}
		from, to := row(curve.Y[i]), row(curve.Y[i])
		if curve.High != nil {
			from = row(curve.High[i])
		}
		if i > 0 { // joined to the point before
			before := row(curve.Y[i-1])
			from, to = min(from, before), max(to, min(before, rows-1))
		}
		for r := from; r <= to; r++ {
			cells[r/4][x/2] |= dots[x%2][r%4]
		}
	}
	fmt.Fprintf(b, "%s\n", curve.Name)
	for r, line := range cells {
		label := ""
		switch r {
		case 0:
			label = value(high, c.Y.Unit)
		case height - 1:
			label = value(low, c.Y.Unit)
		}
		for i := range line {
			line[i] += emptyBraille
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

func span(c Curve) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for i := range c.Y {
		low, high = min(low, c.Y[i]), max(high, c.Y[i])
		if c.High != nil {
			high = max(high, c.High[i])
		}
	}
	if low == high {
		pad := math.Max(math.Abs(low)*0.1, 1e-9)
		return low - pad, high + pad
	}
	return low, high
}
