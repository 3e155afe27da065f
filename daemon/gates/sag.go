package gates

import (
	"math"

	"benchwarden/instruments/waveform"
)

// sagging is how far a level falls during an on time, and where it ends; volts. A supply of the gate that has to be charged again and
// again (a bootstrap) shows it.
type sagging struct{ fallen, end waveform.Measure }

// sag compares the mean soon after the edge has settled with the mean just before the on time ends. Gain and Offset of the options are the
// scope's.
func sag(t waveform.Trace, p waveform.Pulses, o waveform.Options) sagging {
	const longer = "capture a longer record"
	none := func(why, change string) sagging {
		m := waveform.Measure{Undecided: why, Change: change}
		return sagging{m, m}
	}
	if p.Kind != waveform.Pulsing || !p.High.Known() || !p.Low.Known() {
		return none("no pulses with both levels", longer)
	}
	middle := (p.High.Value + p.Low.Value) / 2
	first, last, found := longestOn(t, middle)
	if !found || last-first < 40 {
		return none("no on time with 40 samples", "sample faster")
	}
	n := last - first
	part := func(share float64) int { return first + int(share*float64(n)) }
	begin, late := mean(t, part(0.15), part(0.25)), mean(t, part(0.9), part(0.94))
	// From the middle of the late part to the end 8 % of the on time are left. A steady fall goes on, one that was over does not.
	left := (begin - late) / 0.72 * 0.08 / 2
	u := 2 * (p.Noise/math.Sqrt(float64(n)/25) + float64(t.Resolution())/math.Sqrt(12))
	scope := float64(o.Offset) + float64(o.Gain)*math.Abs(late)
	return sagging{
		fallen: waveform.Measure{Value: begin - late + left, U: math.Sqrt2*u + math.Abs(left)},
		end:    waveform.Measure{Value: late - left, U: math.Hypot(scope, u) + math.Abs(left)},
	}
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
