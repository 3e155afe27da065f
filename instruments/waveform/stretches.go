package waveform

import (
	"math"

	"benchwarden/instruments/quantity"
)

// Stretch is one of the equal stretches into which a trace is cut, to see what changes along it.
type Stretch struct {
	Start   quantity.Seconds
	Share   quantity.Ratio // of its samples at or above the level
	Lowest  quantity.Volts
	Highest quantity.Volts
}

// Stretches cuts a trace into stretches of the given length and tells of each what part of it lies at or above level. What is
// left at the end and fills no stretch is left out; a stretch has one sample at least.
func Stretches(t Trace, length quantity.Seconds, level quantity.Volts) []Stretch {
	if t.Len() == 0 || !(t.Step > 0) || !(length > 0) || math.IsNaN(float64(level)) {
		return nil
	}
	n := int(min(float64(t.Len()), max(1, math.Round(float64(length/t.Step)))))
	at := t.code(float64(level))
	var cut []Stretch
	for from := 0; from+n <= t.Len(); from += n {
		above := 0
		for i := from; i < from+n; {
			begin := min(from+n, t.codes.nextAtLeast(i, at))
			i = min(from+n, t.codes.nextAtMost(begin, math.Nextafter(at, math.Inf(-1))))
			above += i - begin
		}
		low, high := t.codes.extent(from, from+n)
		cut = append(cut, Stretch{
			Start: t.when(float64(from)), Share: quantity.Ratio(float64(above) / float64(n)),
			Lowest: quantity.Volts(t.volts(low)), Highest: quantity.Volts(t.volts(high)),
		})
	}
	return cut
}
