package picture

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// columns is how many stretches a trace is drawn in; each shows its lowest and its highest sample, so that a spike of one is seen.
const columns = 800

// OfTrace is a trace as a curve.
func OfTrace(t waveform.Trace) Curve {
	c := Curve{Name: t.Name}
	extents := t.Envelope(columns)
	for i, e := range extents {
		if len(extents) == t.Len() {
			c.X, c.Y = append(c.X, float64(t.Time(i))), append(c.Y, e.Low)
			continue
		}
		at := float64(t.Start) + (float64(i)+0.5)*float64(t.Duration())/float64(len(extents))
		c.X, c.Y, c.High = append(c.X, at), append(c.Y, e.Low), append(c.High, e.High)
	}
	return c
}

// ofBand is a band as a curve beneath others; false where it is empty.
func ofBand(name string, b waveform.Band) (Curve, bool) {
	c := Curve{Name: name, Beneath: true}
	for k, e := range b.Extents {
		if !math.IsNaN(e.Low) {
			c.X = append(c.X, float64(b.From+(quantity.Seconds(k)+0.5)*b.Step))
			c.Y, c.High = append(c.Y, e.Low), append(c.High, e.High)
		}
	}
	return c, len(c.X) > 0
}

// insideShare is how far a trace may leave the band of the others and still count as within, of the band's height.
//
// Source: the state boundaries of 2 % that pulse measuring tools after IEEE Std 181 take where nothing else is said.
const insideShare = 0.02

// widestLegend is how many letters stand beside each other over the curves.
const widestLegend = 60

// Over draws a suspect trace over the band that the others of the like fill, and says in a sentence where it leaves it. All are aligned
// already: what happens at the same instant stands above each other. Their values are in unit.
func Over(suspect waveform.Trace, others []waveform.Trace, unit quantity.Unit) (Chart, string) {
	from, to := suspect.Start, suspect.Time(suspect.Len()-1)
	var names []string
	for _, t := range others {
		names = append(names, t.Name)
		from, to = min(from, t.Start), max(to, t.Time(t.Len()-1))
	}
	n := columns / 2
	for _, t := range slices.Concat(others, []waveform.Trace{suspect}) {
		n = min(n, int((to-from)/t.Step))
	}
	band := waveform.BandOf(others, from, to, max(1, n))
	chart := Chart{X: Axis{Title: "time", Unit: quantity.Second}, Y: Axis{Unit: unit}}
	legend := strings.Join(names, ", ")
	if len(legend) > widestLegend {
		legend = fmt.Sprintf("the %d others", len(names))
	}
	if beneath, ok := ofBand(legend, band); ok {
		chart.Curves = append(chart.Curves, beneath)
	}
	chart.Curves = append(chart.Curves, OfTrace(suspect))
	slack := insideShare * band.Height()
	d := band.Departure(suspect, slack)
	if d.For == 0 {
		return chart, fmt.Sprintf("%s stays within the band of the others (%s), nowhere further out than %s.", suspect.Name, strings.Join(names, ", "), rounded(float64(slack), unit))
	}
	side := "above"
	if d.Furthest < 0 {
		side = "below"
	}
	return chart, fmt.Sprintf("%s lies outside the band of the others (%s) for %s of %s, farthest %s %s it at %s.", suspect.Name, strings.Join(names, ", "),
		rounded(float64(d.For), quantity.Second), rounded(float64(to-from), quantity.Second), rounded(math.Abs(float64(d.Furthest)), unit), side,
		rounded(float64(d.At), quantity.Second))
}

// rounded writes a number to what a picture shows of it.
func rounded(x float64, unit quantity.Unit) string {
	return quantity.Digits(quantity.Value{Number: x, Unit: unit}, math.Abs(x)*0.05)
}
