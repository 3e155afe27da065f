package report

import (
	"fmt"
	"io"
	"time"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
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
	headRoom   = 26.0 // from the top edge to the text
	footRoom   = 16.0
	lineHeight = 1.32 // of the letters' size
	point2mm   = 25.4 / 72
)

// densities are how much smaller letters may get so that what has to stand on one sheet does.
var densities = []float64{1, 0.94, 0.88, 0.82}

// PDF writes the document in pages. The same document gives the same bytes; printed is the date that the file carries.
func (d *Document) PDF(w io.Writer, paper Paper, printed time.Time) error {
	var p *sheets
	for _, density := range densities {
		p = newSheets(d, paper, printed, density)
		if err := p.blocks(); err != nil {
			return fmt.Errorf("report: %w", err)
		}
		if !d.OneSheet || p.PageCount() == 1 {
			break
		}
	}
	if err := p.Output(w); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return nil
}

// pagesLater stands for the number of pages until all are written.
const pagesLater = "{nb}"

// sheets is a PDF under way.
type sheets struct {
	*fpdf.Fpdf
	doc    *Document
	width  float64 // of the text
	bottom float64 // where the text ends
	size   float64 // of the letters, in points
	dense  float64 // what letters and gaps are multiplied by
	photos int
}

func newSheets(d *Document, paper Paper, printed time.Time, density float64) *sheets {
	p := &sheets{Fpdf: fpdf.New("P", "mm", string(paper), ""), doc: d, dense: density}
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
	p.SetLineJoinStyle("round")
	p.AliasNbPages(pagesLater)
	p.SetHeaderFunc(p.head)
	p.SetFooterFunc(p.foot)
	p.AddPage()
	return p
}

func (p *sheets) font(style string, size float64) {
	p.size = size * p.dense
	p.SetFont("sans", style, p.size)
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
		p.SetFillColor(26, 29, 33)
		p.Rect(margin, 18.5, p.width, 4.4, "F")
		p.SetFont("sans", "B", 8)
		p.SetTextColor(255, 255, 255)
		p.SetXY(margin+2, 18.5)
		p.CellFormat(p.width, 4.4, notice, "", 0, "L", false, 0, "")
	}
	p.SetXY(margin, headRoom)
}

func (p *sheets) foot() {
	p.ink(90)
	p.font("", 7.5)
	p.SetXY(margin, p.bottom+5)
	p.CellFormat(p.width, 4, p.doc.Foot, "", 0, "L", false, 0, "")
	p.SetXY(margin, p.bottom+5)
	later := p.GetStringWidth(pagesLater) - p.GetStringWidth("10")
	p.CellFormat(p.width+later, 4, fmt.Sprintf("page %d of %s", p.PageNo(), pagesLater), "", 0, "R", false, 0, "")
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

func (p *sheets) blocks() error {
	for i, b := range p.doc.Blocks {
		if _, ok := b.(Heading); ok {
			p.room(headingNeeds(p.doc.Blocks[i+1:]) * p.dense)
		}
		if err := p.block(b); err != nil {
			return err
		}
	}
	return p.Error()
}

func (p *sheets) block(b Block) error {
	switch b := b.(type) {
	case Result:
		p.result(b)
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
	default:
		return fmt.Errorf("a %s has no place in a PDF", b.kind())
	}
	return nil
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
