package report

import (
	"bytes"
	"fmt"
	"image/jpeg"

	"codeberg.org/go-pdf/fpdf"

	"benchwarden/daemon/picture"
)

func (p *sheets) figure(f Figure) error {
	scale := p.width / float64(picture.Wide.Width)
	height := float64(picture.Wide.Height) * scale
	p.room(height + 7)
	top := p.GetY()
	if err := f.On(newPen(p, margin, top+height, scale), picture.Wide); err != nil {
		return err
	}
	p.SetY(top + height + 0.5)
	p.paragraph(Text{f.Caption, true})
	return p.Error()
}

func (p *sheets) photo(f Photo) error {
	const most = 90.0
	size, err := jpeg.DecodeConfig(bytes.NewReader(f.Data))
	if err != nil {
		return fmt.Errorf("photo %s: %w", f.Caption, err)
	}
	width, height := float64(size.Width), float64(size.Height)
	scale := min(p.width/width, most/height)
	width, height = width*scale, height*scale
	p.room(height + 7)
	p.photos++
	name, o := fmt.Sprintf("photo %d", p.photos), fpdf.ImageOptions{ImageType: "jpeg"}
	p.RegisterImageOptionsReader(name, o, bytes.NewReader(f.Data))
	top := p.GetY()
	p.ImageOptions(name, margin, top, width, height, false, o, 0, "")
	p.SetY(top + height + 0.5)
	p.paragraph(Text{f.Caption, true})
	return p.Error()
}
