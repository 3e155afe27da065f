package gates

import (
	"math"

	"benchwarden/instruments/waveform"
)

// sag measures how far the level falls during an on time, in volts: the mean of the first quarter after the edge has settled
// against the mean of the last. A supply of the gate that has to be charged again and again (a bootstrap) shows it.
func sag(t waveform.Trace, p waveform.Pulses) waveform.Measure {
	const longer = "capture a longer record"
	if p.Kind != waveform.Pulsing || !p.High.Known() || !p.Low.Known() {
		return waveform.Measure{Undecided: "no pulses with both levels", Change: longer}
	}
	middle := (p.High.Value + p.Low.Value) / 2
	first, last, found := longestOn(t, middle)
	if !found || last-first < 40 {
		return waveform.Measure{Undecided: "no on time with 40 samples", Change: "sample faster"}
	}
	n := last - first
	begin := mean(t, first+n/5, first+2*n/5)
	end := mean(t, first+7*n/10, first+9*n/10)
	u := 2 * math.Sqrt2 * (p.Noise/math.Sqrt(float64(n)/5) + float64(t.Resolution())/math.Sqrt(12))
	return waveform.Measure{Value: begin - end, U: u}
}

// longestOn finds the longest stretch above a level that begins and ends within the first part of the record.
func longestOn(t waveform.Trace, level float64) (first, last int, found bool) {
	const enough = 200_000 // samples; an on time repeats
	began := -1
	above := t.At(0) > level
	for i := range min(t.Len(), enough) {
		now := t.At(i) > level
		switch {
		case now && !above:
			began = i
		case !now && above && began >= 0 && i-began > last-first:
			first, last, found = began, i, true
		}
		above = now
	}
	return first, last, found
}

func mean(t waveform.Trace, from, to int) float64 {
	sum := 0.0
	for i := from; i < to; i++ {
		sum += t.At(i)
	}
	return sum / float64(to-from)
}
