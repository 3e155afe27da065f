package report

// gap leaves room, in millimetres.
func (p *sheets) gap(height float64) { p.SetY(p.GetY() + height*p.dense) }

// result is a frame with the word large in it.
func (p *sheets) result(r Result) {
	const inset = 4.0
	p.gap(2)
	top := p.GetY()
	p.SetY(top + 2.5)
	p.ink(26)
	p.font("B", 17)
	p.wrapped(margin+inset, p.width-2*inset, r.Word)
	p.font("", 9)
	for _, l := range r.Lines {
		p.wrapped(margin+inset, p.width-2*inset, l)
	}
	p.SetDrawColor(26, 29, 33)
	p.SetLineWidth(0.6)
	p.Rect(margin, top, p.width, p.GetY()+2.5-top, "D")
	p.gap(6)
}

func (p *sheets) heading(h Heading) {
	size, gap := 12.5, 5.0
	if h.Level > 1 {
		size, gap = 10.5, 5
	}
	if p.GetY() > headRoom {
		p.gap(gap)
	}
	p.Bookmark(drawable(h.Text), h.Level-1, -1)
	p.ink(26)
	p.font("B", size)
	if h.Outcome == "" {
		p.wrapped(margin, p.width, h.Text)
		p.gap(1)
		return
	}
	const mark = 32.0
	y := p.GetY()
	p.wrapped(margin, p.width-mark, h.Text)
	p.font("B", 9)
	if p.fill(shade(h.Outcome)) != "" {
		p.Rect(margin+p.width-mark, y, mark, p.line()+1, "F")
	}
	p.outcome(h.Outcome, margin+p.width-mark+2, y+0.5)
	p.SetDrawColor(26, 29, 33)
	p.SetLineWidth(0.25)
	p.Rect(margin+p.width-mark, y, mark, p.line()+1, "D")
	p.SetY(max(p.GetY(), y+p.line()+1) + 1)
}

func (p *sheets) paragraph(t Text) {
	p.ink(26)
	p.font("", 9.5)
	if t.Small {
		p.ink(90)
		p.font("", 8)
	}
	p.wrapped(margin, p.width, t.Text)
	p.gap(1.5)
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
	p.gap(2)
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
	p.gap(2.5)
}

func (p *sheets) signatures(all Signatures) {
	const gap = 10.0
	p.room(22 * p.dense)
	y := p.GetY() + 16*p.dense
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
