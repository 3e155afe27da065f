package report

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"time"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"

	"benchwarden/daemon/picture"
	"benchwarden/daemon/verdict"
)

// Paper is a size of sheet.
type Paper string

// The papers.
const (
	A4     Paper = "A4"
	Letter Paper = "Letter"
)

// Millimetres of a page.
const (
	margin     = 16.0
	headRoom   = 24.0 // from the top edge to the text
	footRoom   = 16.0
	lineHeight = 1.32 // of the letters' size
	point2mm   = 25.4 / 72
)

// PDF writes the document in pages. The same document gives the same bytes; printed is the date that the file carries.
func (d *Document) PDF(w io.Writer, paper Paper, printed time.Time) error {
	p := newSheets(d, paper, printed)
	for i, b := range d.Blocks {
		if _, ok := b.(Heading); ok {
			p.room(headingNeeds(d.Blocks[i+1:]))
		}
		if err := p.block(b); err != nil {
			return fmt.Errorf("report: %w", err)
		}
	}
	if err := p.Output(w); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return nil
}

// sheets is a PDF under way.
type sheets struct {
	*fpdf.Fpdf
	doc    *Document
	width  float64 // of the text
	bottom float64 // where the text ends
	size   float64 // of the letters, in points
	photos int
}

func newSheets(d *Document, paper Paper, printed time.Time) *sheets {
	p := &sheets{Fpdf: fpdf.New("P", "mm", string(paper), ""), doc: d}
	p.SetCatalogSort(true)
	p.SetCreationDate(printed.UTC())
	p.SetModificationDate(printed.UTC())
	p.SetTitle(d.Title, true)
	p.SetAuthor(d.Shop, true)
	p.SetLang("en")
	p.AddUTF8FontFromBytes("sans", "", liberationsansregular.TTF)
	p.AddUTF8FontFromBytes("sans", "B", liberationsansbold.TTF)
	width, height := p.GetPageSize()
	p.width, p.bottom = width-2*margin, height-footRoom
	p.SetMargins(margin, headRoom, margin)
	p.SetAutoPageBreak(false, 0)
	p.SetCellMargin(0)
	p.AliasNbPages("{nb}")
	p.SetHeaderFunc(p.head)
	p.SetFooterFunc(p.foot)
	p.AddPage()
	return p
}

func (p *sheets) font(style string, size float64) {
	p.size = size
	p.SetFont("sans", style, size)
}

func (p *sheets) ink(grey int) { p.SetTextColor(grey, grey, grey) }

func (p *sheets) head() {
	p.ink(26)
	p.SetXY(margin, 10)
	if p.PageNo() == 1 {
		p.font("B", 16)
		p.CellFormat(p.width, 8, p.doc.Title, "", 0, "L", false, 0, "")
		p.SetXY(margin, 10)
		p.font("B", 10)
		p.CellFormat(p.width, 8, p.doc.Shop, "", 0, "R", false, 0, "")
	} else {
		p.font("", 8)
		p.CellFormat(p.width, 8, p.doc.Title, "", 0, "L", false, 0, "")
		p.SetXY(margin, 10)
		p.CellFormat(p.width, 8, p.doc.Shop, "", 0, "R", false, 0, "")
	}
	p.SetDrawColor(26, 29, 33)
	p.SetLineWidth(0.5)
	p.Line(margin, 18.5, margin+p.width, 18.5)
	if notice := p.doc.Notice(); notice != "" {
		p.font("B", 8)
		p.SetXY(margin, 19)
		p.CellFormat(p.width, 4.5, notice, "", 0, "L", false, 0, "")
	}
	p.SetXY(margin, headRoom)
}

func (p *sheets) foot() {
	p.ink(90)
	p.font("", 7.5)
	p.SetXY(margin, p.bottom+5)
	p.CellFormat(p.width, 4, p.doc.Foot, "", 0, "L", false, 0, "")
	p.SetXY(margin, p.bottom+5)
	p.CellFormat(p.width, 4, fmt.Sprintf("page %d of {nb}", p.PageNo()), "", 0, "R", false, 0, "")
}

// room makes sure that so many millimetres are left on the page.
func (p *sheets) room(height float64) {
	if p.GetY()+height > p.bottom && p.GetY() > headRoom {
		p.AddPage()
	}
}

// headingNeeds is the room for a heading with the beginning of what follows it, so that none stands alone at the end of a page.
func headingNeeds(after []Block) float64 {
	const least, withPicture = 34, 115
	for _, b := range after[:min(2, len(after))] {
		switch b.(type) {
		case Figure, GateChart:
			return withPicture
		}
	}
	return least
}

func (p *sheets) block(b Block) error {
	switch b := b.(type) {
	case Heading:
		p.heading(b)
	case Text:
		p.paragraph(b)
	case Facts:
		p.facts(b)
	case Notice:
		p.notice(b)
	case Table:
		p.table(b)
	case GateChart:
		p.chart(b)
	case Figure:
		return p.figure(b)
	case Photo:
		return p.photo(b)
	case Signatures:
		p.signatures(b)
	case Page:
		if p.GetY() > headRoom {
			p.AddPage()
		}
	default:
		return fmt.Errorf("a %s has no place in a PDF", b.kind())
	}
	return nil
}

func (p *sheets) heading(h Heading) {
	size := 12.5
	gap := 5.0
	if h.Level > 1 {
		size, gap = 10.5, 4
	}
	if p.GetY() > headRoom {
		p.SetY(p.GetY() + gap)
	}
	p.ink(26)
	p.font("B", size)
	p.wrapped(margin, p.width, h.Text)
	p.SetY(p.GetY() + 1)
}

// line is how high a line of the present letters is.
func (p *sheets) line() float64 { return p.size * point2mm * lineHeight }

// wrapped writes text from x on in lines of a width, over pages, and leaves the position under it.
func (p *sheets) wrapped(x, width float64, text string) {
	for _, l := range p.SplitText(text, width) {
		p.room(p.line())
		p.SetX(x)
		p.CellFormat(width, p.line(), l, "", 2, "L", false, 0, "")
	}
}

func (p *sheets) paragraph(t Text) {
	p.ink(26)
	p.font("", 9.5)
	if t.Small {
		p.ink(90)
		p.font("", 8)
	}
	p.wrapped(margin, p.width, t.Text)
	p.SetY(p.GetY() + 1.5)
}

func (p *sheets) facts(all Facts) {
	const names = 42.0
	for _, f := range all {
		p.font("", 9.5)
		p.room(p.line())
		y := p.GetY()
		p.ink(90)
		p.SetX(margin)
		p.CellFormat(names, p.line(), f.Name, "", 0, "L", false, 0, "")
		p.ink(26)
		p.SetY(y)
		p.wrapped(margin+names, p.width-names, f.Value)
	}
	p.SetY(p.GetY() + 2)
}

func (p *sheets) notice(n Notice) {
	const bar, inset = 1.2, 4.0
	p.font("B", 9)
	height := p.line() * float64(len(p.SplitText(n.Title, p.width-inset)))
	p.font("", 9)
	for _, l := range n.Lines {
		height += p.line() * float64(len(p.SplitText(l, p.width-inset)))
	}
	if height < p.bottom-headRoom {
		p.room(height + 2)
	}
	top, page := p.GetY(), p.PageNo()
	p.ink(26)
	p.font("B", 9)
	p.wrapped(margin+inset, p.width-inset, n.Title)
	p.font("", 9)
	for _, l := range n.Lines {
		p.wrapped(margin+inset, p.width-inset, l)
	}
	if p.PageNo() != page {
		top = headRoom
	}
	p.SetFillColor(26, 29, 33)
	p.Rect(margin, top+0.4, bar, p.GetY()-top-0.8, "F")
	p.SetY(p.GetY() + 2.5)
}

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
)

func (p *sheets) table(t Table) {
	total := 0.0
	for _, c := range t.Columns {
		total += c.Share
	}
	widths := make([]float64, len(t.Columns))
	for i, c := range t.Columns {
		widths[i] = p.width * c.Share / total
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
	p.room(4 * p.line())
	head()
	for _, cells := range t.Rows {
		p.row(cells, widths, head)
	}
	p.SetY(p.GetY() + 2)
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
		if p.GetY()+p.line()*min(float64(most-first), 6)+1 > p.bottom {
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

// chartColumns is how many columns of the gate chart stand side by side.
const chartColumns = 12

func (p *sheets) chart(c GateChart) {
	p.heading(Heading{2, "Gate chart"})
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

func (p *sheets) figure(f Figure) error {
	var png bytes.Buffer
	if err := f.PNG(&png, picture.Wide); err != nil {
		return err
	}
	height := p.width * float64(picture.Wide.Height/picture.Wide.Width)
	return p.image("png", png.Bytes(), p.width, height, f.Caption)
}

func (p *sheets) photo(f Photo) error {
	const most = 90.0
	p.photos++
	info := p.RegisterImageOptionsReader(fmt.Sprintf("size %d", p.photos), fpdf.ImageOptions{ImageType: imageType(f.Type)}, bytes.NewReader(f.Data))
	if p.Err() {
		return fmt.Errorf("photo %s: %w", f.Caption, p.Error())
	}
	width, height := info.Extent()
	scale := min(p.width/width, most/height)
	return p.image(imageType(f.Type), f.Data, width*scale, height*scale, f.Caption)
}

func imageType(mime string) string { return strings.TrimPrefix(mime, "image/") }

func (p *sheets) image(kind string, data []byte, width, height float64, caption string) error {
	p.photos++
	p.room(height + 7)
	o := fpdf.ImageOptions{ImageType: kind}
	name := fmt.Sprintf("image %d", p.photos)
	p.RegisterImageOptionsReader(name, o, bytes.NewReader(data))
	y := p.GetY()
	p.ImageOptions(name, margin, y, width, height, false, o, 0, "")
	p.SetY(y + height + 0.5)
	p.paragraph(Text{caption, true})
	return p.Error()
}

func (p *sheets) signatures(all Signatures) {
	const gap = 10.0
	p.room(24)
	y := p.GetY() + 17
	width := (p.width - gap*float64(len(all)-1)) / float64(len(all))
	p.font("", 8)
	p.ink(90)
	for i, role := range all {
		x := margin + (width+gap)*float64(i)
		p.SetDrawColor(26, 29, 33)
		p.SetLineWidth(0.25)
		p.Line(x, y, x+width, y)
		p.SetXY(x, y+0.8)
		p.CellFormat(width, p.line(), role+": name, date, signature", "", 0, "L", false, 0, "")
	}
	p.SetY(y + 6)
}
