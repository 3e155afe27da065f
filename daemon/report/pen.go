package report

import (
	"image"
	"image/color"
	"math"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// pen draws a picture's lines and letters straight on a page, so that they are sharp at any size.
type pen struct {
	on   *sheets
	now  stroke
	kept []stroke
}

var _ vg.Canvas = (*pen)(nil)

// stroke is how the pen stands.
type stroke struct {
	place  affine
	width  vg.Length
	colour color.Color
}

// affine places the points of a picture, y upwards, among the millimetres of a page, y downwards.
type affine struct{ xx, xy, yx, yy, x, y float64 }

func (a affine) at(p vg.Point) (x, y float64) {
	return a.xx*float64(p.X) + a.xy*float64(p.Y) + a.x, a.yx*float64(p.X) + a.yy*float64(p.Y) + a.y
}

// after places by b first.
func (a affine) after(b affine) affine {
	x, y := a.at(vg.Point{X: vg.Length(b.x), Y: vg.Length(b.y)})
	return affine{a.xx*b.xx + a.xy*b.yx, a.xx*b.xy + a.xy*b.yy, a.yx*b.xx + a.yy*b.yx, a.yx*b.xy + a.yy*b.yy, x, y}
}

// millimetres is how long a point is.
func (a affine) millimetres() float64 { return math.Sqrt(math.Abs(a.xx*a.yy - a.xy*a.yx)) }

// newPen draws upwards and to the right of a corner, so many millimetres a point.
func newPen(on *sheets, left, bottom, scale float64) *pen {
	return &pen{on: on, now: stroke{affine{scale, 0, 0, -scale, left, bottom}, 1, color.Black}}
}

// SetLineWidth implements vg.Canvas.
func (p *pen) SetLineWidth(w vg.Length) { p.now.width = w }

// SetLineDash implements vg.Canvas; our pictures have no dashes.
func (p *pen) SetLineDash([]vg.Length, vg.Length) {}

// SetColor implements vg.Canvas.
func (p *pen) SetColor(c color.Color) {
	if p.now.colour = c; c == nil {
		p.now.colour = color.Black
	}
}

// Rotate implements vg.Canvas.
func (p *pen) Rotate(angle float64) {
	sin, cos := math.Sincos(angle)
	p.now.place = p.now.place.after(affine{cos, -sin, sin, cos, 0, 0})
}

// Translate implements vg.Canvas.
func (p *pen) Translate(by vg.Point) {
	p.now.place = p.now.place.after(affine{1, 0, 0, 1, float64(by.X), float64(by.Y)})
}

// Scale implements vg.Canvas.
func (p *pen) Scale(x, y float64) { p.now.place = p.now.place.after(affine{x, 0, 0, y, 0, 0}) }

// Push implements vg.Canvas.
func (p *pen) Push() { p.kept = append(p.kept, p.now) }

// Pop implements vg.Canvas.
func (p *pen) Pop() {
	last := len(p.kept) - 1
	p.now, p.kept = p.kept[last], p.kept[:last]
}

// Stroke implements vg.Canvas.
func (p *pen) Stroke(path vg.Path) {
	if p.now.width > 0 {
		p.on.SetDrawColor(p.rgb())
		p.on.SetLineWidth(float64(p.now.width) * p.now.place.millimetres())
		p.draw(path, "D")
	}
}

// Fill implements vg.Canvas.
func (p *pen) Fill(path vg.Path) {
	p.on.SetFillColor(p.rgb())
	p.draw(path, "F")
}

func (p *pen) rgb() (r, g, b int) {
	c := color.RGBAModel.Convert(p.now.colour).(color.RGBA)
	return int(c.R), int(c.G), int(c.B)
}

func (p *pen) draw(path vg.Path, style string) {
	for _, step := range path {
		x, y := p.now.place.at(step.Pos)
		switch step.Type {
		case vg.MoveComp:
			p.on.MoveTo(x, y)
		case vg.LineComp:
			p.on.LineTo(x, y)
		case vg.CloseComp:
			p.on.ClosePath()
		default:
			p.on.SetErrorf("a picture has a line that the pen cannot draw (%d)", step.Type)
		}
	}
	p.on.DrawPath(style)
}

// FillString implements vg.Canvas.
func (p *pen) FillString(f font.Face, at vg.Point, text string) {
	place := p.now.place
	x, y := place.at(at)
	p.on.SetTextColor(p.rgb())
	p.on.SetFont("sans", "", float64(f.Font.Size)*place.millimetres()/point2mm)
	p.on.TransformBegin()
	p.on.TransformRotate(math.Atan2(-place.yx, place.xx)*180/math.Pi, x, y)
	p.on.Text(x, y, drawable(text))
	p.on.TransformEnd()
}

// DrawImage implements vg.Canvas; our pictures have none in them.
func (p *pen) DrawImage(vg.Rectangle, image.Image) {
	p.on.SetErrorf("a picture in a picture cannot be drawn")
}
