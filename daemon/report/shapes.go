package report

import (
	"fmt"
	"math"
	"strings"

	"benchwarden/daemon/drive"
	"benchwarden/daemon/verdict"
)

// point is in a square of 1 by 1, y downwards.
type point struct{ x, y float64 }

// shape is a small drawing beside a word, so that a page can be read in black and white.
type shape struct {
	lines  [][]point
	filled bool
}

func polygon(corners int, radius float64) []point {
	var out []point
	for i := range corners + 1 {
		a := 2*math.Pi*float64(i)/float64(corners) - math.Pi/2
		out = append(out, point{0.5 + radius*math.Cos(a), 0.5 + radius*math.Sin(a)})
	}
	return out
}

// shapeOf an outcome: a ring for pass, a solid diamond for fail, an open triangle for undecided, a bar for not shown, a dot for not
// applicable, a solid square for a run that came to no verdict.
func shapeOf(o verdict.Outcome) shape {
	switch o {
	case verdict.Pass:
		return shape{lines: [][]point{polygon(24, 0.4)}}
	case verdict.Fail:
		return shape{lines: [][]point{polygon(4, 0.5)}, filled: true}
	case verdict.Undecided:
		return shape{lines: [][]point{polygon(3, 0.48)}}
	case verdict.NotShown:
		return shape{lines: [][]point{{{0.1, 0.5}, {0.9, 0.5}}}}
	case verdict.NotApplicable:
		return shape{lines: [][]point{polygon(12, 0.15)}, filled: true}
	}
	return shape{lines: [][]point{{{0.1, 0.1}, {0.9, 0.1}, {0.9, 0.9}, {0.1, 0.9}, {0.1, 0.1}}}, filled: true}
}

// curveOf draws what a gate channel does: a level, or pulses.
func curveOf(found string) shape {
	const low, high = 0.85, 0.15
	pulses := func(n int, first, second float64) shape {
		line := []point{{0, first}}
		for i := range 2 * n {
			at := (float64(i) + 0.5) / float64(2*n)
			a, b := first, second
			if i%2 == 1 {
				a, b = second, first
			}
			line = append(line, point{at, a}, point{at, b})
		}
		return shape{lines: [][]point{append(line, point{1, first})}}
	}
	switch drive.Pattern(found) {
	case drive.On:
		return shape{lines: [][]point{{{0, high}, {1, high}}}}
	case drive.Off:
		return shape{lines: [][]point{{{0, low}, {1, low}}}}
	case drive.Chop:
		return pulses(3, low, high)
	case drive.ChopInverse:
		return pulses(3, high, low)
	case drive.Toggle:
		return pulses(1, low, high)
	}
	return shape{lines: [][]point{{{0.3, 0.5}, {0.7, 0.5}}}}
}

// path is the shape in the words of SVG.
func (s shape) path() string {
	var b strings.Builder
	for _, line := range s.lines {
		for i, p := range line {
			letter := "L"
			if i == 0 {
				letter = "M"
			}
			fmt.Fprintf(&b, "%s%.3g %.3g", letter, p.x, p.y)
		}
	}
	return b.String()
}

// shade names how strongly a cell with this outcome stands out: from none to black, told apart without colour.
func shade(o verdict.Outcome) string {
	switch o {
	case verdict.Pass, "":
		return ""
	case verdict.Undecided:
		return "undecided"
	case verdict.NotShown, verdict.NotApplicable:
		return "quiet"
	}
	return "fail"
}
