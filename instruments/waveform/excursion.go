package waveform

import (
	"math"

	"benchwarden/instruments/quantity"
)

// Excursion is a stretch of a trace at or above a level.
type Excursion struct {
	Start    quantity.Seconds `json:"start"`
	Duration quantity.Seconds `json:"duration"`
	Peak     quantity.Volts   `json:"peak"`
	// Open: it had begun before the record or goes on after it, so that it is longer than Duration.
	Open bool `json:"open,omitempty"`
}

// Span is a stretch of time.
type Span struct {
	From quantity.Seconds `json:"from"`
	To   quantity.Seconds `json:"to"`
}

// Crossings finds every excursion at or above level, down to a single sample. One ends when the trace has gone back below
// by more than its noise, so that noise at the level does not split it. A sample that lies between two readings of the
// instrument cannot be seen: for the twitch test use peak detection or a step below the shortest pulse that matters.
func Crossings(t Trace, level quantity.Volts) []Excursion {
	if t.Len() == 0 || math.IsNaN(float64(level)) {
		return nil
	}
	s := t.codes
	at := t.code(float64(level))
	resolution := t.resolutionCodes()
	back := min(at-3*noise(s, resolution)-resolution, math.Nextafter(at, math.Inf(-1)))
	var found []Excursion
	for i := s.nextAtLeast(0, at); i < s.len(); {
		end := s.nextAtMost(i, back)
		_, high := s.extent(i, end)
		e := Excursion{Peak: quantity.Volts(t.volts(high))}
		from, to := 0.0, float64(s.len()-1)
		if i == 0 {
			e.Open = true
		} else {
			from = s.interpolate(i, at)
		}
		if end == s.len() {
			e.Open = true
		} else {
			last := end
			for s.at(last-1) < at {
				last--
			}
			to = s.interpolate(last, at)
		}
		e.Start, e.Duration = t.when(from), quantity.Seconds(to-from)*t.Step
		found = append(found, e)
		i = s.nextAtLeast(end, at)
	}
	return found
}

// Outside returns the excursions that do not lie wholly in one of the spans; so a caller takes out what the drive's own
// pattern explains.
func Outside(found []Excursion, spans []Span) []Excursion {
	var left []Excursion
	for _, e := range found {
		explained := false
		for _, s := range spans {
			explained = explained || (e.Start >= s.From && e.Start+e.Duration <= s.To)
		}
		if !explained {
			left = append(left, e)
		}
	}
	return left
}

// Overlaps finds the stretches in which a is at or above levelA while b is at or above levelB. Peak is left out.
func Overlaps(a, b Trace, levelA, levelB quantity.Volts) []Excursion {
	var found []Excursion
	inA, inB := Crossings(a, levelA), Crossings(b, levelB)
	for i, j := 0, 0; i < len(inA) && j < len(inB); {
		x, y := inA[i], inB[j]
		endX, endY := x.Start+x.Duration, y.Start+y.Duration
		from, to := max(x.Start, y.Start), min(endX, endY)
		if from < to {
			found = append(found, Excursion{Start: from, Duration: to - from, Open: x.Open && y.Open})
		}
		if endX < endY {
			i++
		} else {
			j++
		}
	}
	return found
}
