package report

import (
	"codeberg.org/go-pdf/fpdf"

	"benchwarden/daemon/verdict"
)

// fill prepares a cell's ground and letters for a shade.
func (p *sheets) fill(shade string) string {
	p.ink(26)
	switch shade {
	case "fail":
		p.SetFillColor(91, 20, 16)
		p.SetTextColor(255, 255, 255)
	case "undecided":
		p.SetFillColor(240, 212, 138)
	case "quiet":
		p.SetFillColor(236, 238, 240)
		p.ink(92)
	default:
		return ""
	}
	return "F"
}

// draw puts a shape into a box, in the colour of the letters.
func (p *sheets) draw(s shape, x, y, width, height, thick float64) {
	r, g, b := p.GetTextColor()
	p.SetDrawColor(r, g, b)
	p.SetFillColor(r, g, b)
	p.SetLineWidth(thick)
	for _, line := range s.lines {
		corners := make([]fpdf.PointType, len(line))
		for i, c := range line {
			corners[i] = fpdf.PointType{X: x + c.x*width, Y: y + c.y*height}
		}
		if s.filled {
			p.Polygon(corners, "F")
			continue
		}
		for i := 1; i < len(corners); i++ {
			p.Line(corners[i-1].X, corners[i-1].Y, corners[i].X, corners[i].Y)
		}
	}
}

const (
	tableSize = 7.8
	cellInset = 1.0
	// mostTogether is how many lines of a row are not parted by the end of a page.
	mostTogether = 10
)

func (p *sheets) table(t Table) {
	widths := t.Percent()
	for i := range widths {
		widths[i] *= p.width / 100
	}
	head := func() {
		p.font("", tableSize)
		p.ink(90)
		y := p.GetY()
		x := margin
		for i, c := range t.Columns {
			p.SetXY(x+cellInset, y)
			p.CellFormat(widths[i], p.line()+0.8, c.Title, "", 0, "L", false, 0, "")
			x += widths[i]
		}
		p.SetDrawColor(26, 29, 33)
		p.SetLineWidth(0.35)
		p.Line(margin, y+p.line()+0.8, margin+p.width, y+p.line()+0.8)
		p.SetY(y + p.line() + 1.1)
	}
	p.font("", tableSize)
	p.room(2*p.line() + 3 + p.rowNeeds(t.Rows, widths))
	head()
	for _, cells := range t.Rows {
		p.row(cells, widths, head)
	}
	p.gap(2)
}

// rowNeeds is the room that has to be left for the first of some rows, so that no head stands alone.
func (p *sheets) rowNeeds(rows [][]Cell, widths []float64) float64 {
	most := 0
	for _, cells := range rows[:min(1, len(rows))] {
		for i, c := range cells {
			most = max(most, len(p.SplitText(c.Text, widths[i]-2*cellInset)))
		}
	}
	return p.line() * float64(min(most, mostTogether))
}

// row writes one row; one that no page could hold goes over several.
func (p *sheets) row(cells []Cell, widths []float64, head func()) {
	p.font("", tableSize)
	texts := make([][]string, len(cells))
	most := 1
	for i, c := range cells {
		if c.Outcome == "" {
			texts[i] = p.SplitText(c.Text, widths[i]-2*cellInset)
			most = max(most, len(texts[i]))
		}
	}
	for first := 0; first < most; {
		if p.GetY()+p.line()*float64(min(most-first, mostTogether))+1 > p.bottom {
			p.AddPage()
			head()
			p.font("", tableSize)
		}
		fits := max(1, min(most-first, int((p.bottom-p.GetY()-1)/p.line())))
		y := p.GetY()
		height := float64(fits)*p.line() + 1
		x := margin
		for i, c := range cells {
			p.cell(c, texts[i], first, fits, x, y, widths[i], height)
			x += widths[i]
		}
		first += fits
		p.SetDrawColor(201, 205, 210)
		p.SetLineWidth(0.15)
		p.Line(margin, y+height, margin+p.width, y+height)
		p.SetY(y + height)
	}
}

func (p *sheets) cell(c Cell, text []string, first, fits int, x, y, width, height float64) {
	p.ink(26)
	if c.Outcome != "" {
		if p.fill(shade(c.Outcome)) != "" {
			p.Rect(x, y, width, height, "F")
		}
		if first == 0 {
			p.outcome(c.Outcome, x+cellInset, y+0.5)
		}
		return
	}
	for i := first; i < min(first+fits, len(text)); i++ {
		p.SetXY(x+cellInset, y+0.5+float64(i-first)*p.line())
		p.CellFormat(width-2*cellInset, p.line(), text[i], "", 0, "L", false, 0, "")
	}
}

// outcome writes shape and word.
func (p *sheets) outcome(o verdict.Outcome, x, y float64) {
	side := p.size * point2mm * 0.75
	p.draw(shapeOf(o), x, y+(p.line()-side)/2, side, side, 0.25)
	p.SetXY(x+side+0.8, y)
	p.CellFormat(30, p.line(), string(o), "", 0, "L", false, 0, "")
}
