package report

import (
	"strings"

	"benchwarden/daemon/verdict"
)

const (
	chartColumns         = 12  // of the gate chart that stand side by side
	chartCell            = 8.6 // millimetres, from row to row
	mostChannelsTogether = 8   // are not parted by the end of a page
)

func (p *sheets) chart(c GateChart) {
	p.room(18*p.dense + chartCell*p.dense*float64(min(len(c.Rows), mostChannelsTogether)))
	p.heading(Heading{Level: 2, Text: "Gate chart"})
	const label = 18.0
	for from := 0; from < len(c.Columns); from += chartColumns {
		to := min(from+chartColumns, len(c.Columns))
		width := (p.width - label) / float64(min(chartColumns, len(c.Columns)))
		p.font("", 6.5)
		headHeight, cellHeight := 2*p.line()+0.6, chartCell*p.dense
		p.room(headHeight + cellHeight*float64(min(len(c.Rows), mostChannelsTogether)))
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
				p.draw(curveOf(cell.Found), x+width*0.15, y+0.9*p.dense, width*0.7, 3*p.dense, 0.25)
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
						p.SetXY(x, y+(4.1+float64(k)*2.1)*p.dense)
						p.CellFormat(width, 2.1*p.dense, l, "", 0, "C", false, 0, "")
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
	p.table(c.Timing())
}
