package report

import (
	"bytes"
	"fmt"
	"image/jpeg"

	"codeberg.org/go-pdf/fpdf"

	"benchwarden/daemon/picture"
)

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
	size, err := jpeg.DecodeConfig(bytes.NewReader(f.Data))
	if err != nil {
		return fmt.Errorf("photo %s: %w", f.Caption, err)
	}
	width, height := float64(size.Width), float64(size.Height)
	scale := min(p.width/width, most/height)
	return p.image("jpeg", f.Data, width*scale, height*scale, f.Caption)
}

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
