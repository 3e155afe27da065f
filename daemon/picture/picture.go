// Package picture draws curves: as SVG, as PNG, and in the characters of a terminal.
package picture

import (
	"fmt"
	"image/color"
	"io"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"

	"benchwarden/instruments/quantity"
)

// Curve is a line through points; where High is there, it is the band between Y and High.
type Curve struct {
	Name string
	X    []float64
	Y    []float64
	High []float64
	// Beneath is a band that others are seen against: pale, and under them.
	Beneath bool
}

// Axis says what the numbers along a side are.
type Axis struct {
	Title string
	Unit  quantity.Unit
}

// Chart is one picture.
type Chart struct {
	Title  string
	X, Y   Axis
	Curves []Curve
}

// inks are told apart by their lightness too, so that a black and white print shows which is which.
var inks = []color.RGBA{{0x12, 0x33, 0x4d, 0xff}, {0xb0, 0x5a, 0x1f, 0xff}, {0x3f, 0x8a, 0x82, 0xff}, {0x8c, 0x8f, 0x96, 0xff}}

// pale is the colour of what lies beneath, and rim that of its edge: a dark line on it stays readable without any colour.
var pale, rim = color.RGBA{0xd3, 0xd5, 0xd8, 0xff}, color.RGBA{0x84, 0x88, 0x8f, 0xff}

// ink is the colour of a curve.
func ink(i int) color.RGBA { return inks[i%len(inks)] }

// Size of a picture.
type Size struct{ Width, Height vg.Length }

// Wide is the size for a page of a report.
var Wide = Size{16 * vg.Centimeter, 7 * vg.Centimeter}

// SVG writes the picture as a scalable drawing.
func (c Chart) SVG(w io.Writer, s Size) error {
	canvas := vgsvg.New(s.Width, s.Height)
	if err := c.draw(draw.New(canvas)); err != nil {
		return err
	}
	_, err := canvas.WriteTo(w)
	return err
}

// PNG writes the picture in dots, 200 an inch.
func (c Chart) PNG(w io.Writer, s Size) error {
	canvas := vgimg.NewWith(vgimg.UseWH(s.Width, s.Height), vgimg.UseDPI(200), vgimg.UseBackgroundColor(color.White))
	if err := c.draw(draw.New(canvas)); err != nil {
		return err
	}
	_, err := vgimg.PngCanvas{Canvas: canvas}.WriteTo(w)
	return err
}

// On draws the picture on a canvas of its size.
func (c Chart) On(canvas vg.Canvas, s Size) error {
	return c.draw(draw.NewCanvas(canvas, s.Width, s.Height))
}

func (c Chart) draw(on draw.Canvas) error {
	p := plot.New()
	p.Title.Text = c.Title
	for _, style := range []*text.Style{&p.Title.TextStyle, &p.X.Label.TextStyle, &p.Y.Label.TextStyle, &p.X.Tick.Label, &p.Y.Tick.Label, &p.Legend.TextStyle} {
		style.Font.Variant, style.Font.Size = "Sans", 8
	}
	p.X.Label.Text, p.Y.Label.Text = c.X.Title, c.Y.Title
	p.X.Tick.Marker, p.Y.Tick.Marker = ticks{c.X.Unit}, ticks{c.Y.Unit}
	p.Legend.Top = true
	grid := plotter.NewGrid()
	grid.Vertical.Color, grid.Horizontal.Color = color.Gray{0xdd}, color.Gray{0xdd}
	p.Add(grid)
	over := 0
	for _, curve := range c.Curves {
		drawn := ink(over)
		if curve.Beneath {
			drawn = pale
		} else {
			over++
		}
		if err := curve.addTo(p, drawn, len(c.Curves) > 1); err != nil {
			return fmt.Errorf("picture of %s: %w", curve.Name, err)
		}
	}
	if len(c.Curves) > 1 { // room for the names above the curves
		p.Y.Max += 0.12 * float64(len(c.Curves)) * (p.Y.Max - p.Y.Min)
	}
	p.Draw(draw.Crop(on, 2*vg.Millimeter, -4*vg.Millimeter, 2*vg.Millimeter, -2*vg.Millimeter))
	return nil
}

func (c Curve) addTo(p *plot.Plot, ink color.RGBA, named bool) error {
	line, err := plotter.NewLine(points(c.X, c.Y))
	if err != nil {
		return err
	}
	line.Color, line.Width = ink, vg.Points(0.8)
	if c.High != nil {
		outline := points(c.X, c.High)
		for i := len(c.X) - 1; i >= 0; i-- {
			outline = append(outline, plotter.XY{X: c.X[i], Y: c.Y[i]})
		}
		band, err := plotter.NewPolygon(outline)
		if err != nil {
			return err
		}
		band.Color, band.LineStyle.Color, band.LineStyle.Width = ink, ink, vg.Points(0.8)
		if c.Beneath {
			band.LineStyle.Color, band.LineStyle.Width = rim, vg.Points(0.4)
			if named {
				p.Legend.Add(c.Name, band)
				named = false
			}
		}
		p.Add(band)
	} else {
		p.Add(line)
	}
	if named {
		p.Legend.Add(c.Name, line)
	}
	return nil
}

func points(x, y []float64) plotter.XYs {
	out := make(plotter.XYs, len(x))
	for i := range x {
		out[i] = plotter.XY{X: x[i], Y: y[i]}
	}
	return out
}

// ticks are round values with their unit.
type ticks struct{ unit quantity.Unit }

func (t ticks) Ticks(low, high float64) []plot.Tick {
	var out []plot.Tick
	for _, x := range marks(low, high, 6) {
		out = append(out, plot.Tick{Value: x, Label: quantity.Value{Number: x, Unit: t.unit}.String()})
	}
	return out
}

// marks are about n round values between two: steps of 1, 2 or 5 times a power of ten.
func marks(low, high float64, n int) []float64 {
	span := high - low
	if !(span > 0) || math.IsInf(span, 0) {
		return []float64{low}
	}
	raw := span / float64(n)
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * power
	for _, m := range []float64{1, 2, 5} {
		if m*power >= raw {
			step = m * power
			break
		}
	}
	var out []float64
	for k := math.Ceil(low/step - 1e-9); k*step <= high+1e-9*span; k++ {
		out = append(out, math.Round(k)*step)
	}
	return out
}
