package report

import (
	"strings"

	"benchwarden/daemon/verdict"
)

// chartColumns is how many columns of the gate chart stand side by side.
const chartColumns = 12

func (p *sheets) chart(c GateChart) {
	p.heading(Heading{Level: 2, Text: "Gate chart"})
	const label = 18.0
	for from := 0; from < len(c.Columns); from += chartColumns {
		to := min(from+chartColumns, len(c.Columns))
		width := (p.width - label) / float64(min(chartColumns, len(c.Columns)))
		p.font("", 6.5)
		headHeight, cellHeight := 2*p.line()+0.6, 8.6
		p.room(headHeight + cellHeight*float64(min(len(c.Rows), 8)))
		p.ink(90)
		y := p.GetY()
		for i := from; i < to; i++ {
			for k, word := range strings.SplitN(c.Columns[i], " ", 2) {
				p.SetXY(margin+label+width*float64(i-from), y+float64(k)*p.line())
				p.CellFormat(width, p.line(), word, "", 0, "C", false, 0, "")
			}
		}
		y += headHeight
		for _, r := range c.Rows {
			if y+cellHeight > p.bottom {
				p.AddPage()
				y = headRoom
			}
			p.ink(26)
			p.font("", 7.5)
			p.SetXY(margin, y)
			p.CellFormat(label, cellHeight, r.Channel, "", 0, "L", false, 0, "")
			for i := from; i < min(to, len(r.Cells)); i++ {
				x := margin + label + width*float64(i-from)
				cell := r.Cells[i]
				if p.fill(shade(cell.Outcome)) != "" {
					p.Rect(x, y, width, cellHeight, "F")
				}
				p.draw(curveOf(cell.Found), x+width*0.15, y+0.9, width*0.7, 3, 0.25)
				p.font("", 5.6)
				text := cell.Found
				if cell.Outcome != verdict.Pass && cell.Outcome != verdict.NotShown {
					text = "not " + cell.Expected + ": " + cell.Found
					if cell.Found == cell.Expected {
						text = string(cell.Outcome) + ": " + cell.Found
					}
				}
				for k, l := range p.SplitText(text, width-0.6) {
					if k < 2 {
						p.SetXY(x, y+4.1+float64(k)*2.1)
						p.CellFormat(width, 2.1, l, "", 0, "C", false, 0, "")
					}
				}
				p.SetDrawColor(201, 205, 210)
				p.SetLineWidth(0.15)
				p.Rect(x, y, width, cellHeight, "D")
			}
			y += cellHeight
			p.SetY(y)
		}
		p.SetY(y + 2)
	}
	if len(c.Legs) == 0 {
		return
	}
	t := Table{Columns: []Column{{"leg", 8}, {"dead time, high to low", 16}, {"low to high", 14}, {"longest overlap", 14}, {"outcome", 14}, {"where, why", 34}}}
	for _, l := range c.Legs {
		cells := row(l.Leg, l.DeadHL.String(), l.DeadLH.String(), l.Overlap.String(), "", strings.TrimSpace(l.Captured+" "+l.Reason))
		cells[4].Outcome = l.Outcome
		t.Rows = append(t.Rows, cells)
	}
	p.table(t)
}
