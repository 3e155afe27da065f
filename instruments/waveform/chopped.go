package waveform

import (
	"math"
	"math/cmplx"
	"slices"

	"benchwarden/instruments/quantity"
)

// Chopped is what a phase of a chopping bridge does over whole chopping periods, in volts and hertz. A phase that stands still has
// its level as mean, RMS, high and low, and no frequency.
type Chopped struct {
	Still                      bool
	Mean, RMS, High, Low, Rate Measure
}

// ChoppedOptions are the instrument's 95 % errors on this trace.
type ChoppedOptions struct {
	Absolute quantity.Volts
	Relative quantity.Ratio
}

// fewestChops is the least that a mean over whole periods is taken from.
const fewestChops = 3

// FitChopped measures a chopped trace. Whole periods are counted between rising crossings of its middle, so that a record that ends
// within a period shifts no mean; undecided are clipped records, fewer than three periods and fewer than 16 samples a period.
func FitChopped(t Trace, o ChoppedOptions) Chopped {
	all := func(m Measure) Chopped { return Chopped{Mean: m, RMS: m, High: m, Low: m, Rate: m} }
	n := t.Len()
	if n < 16 {
		return all(undecided("capture a longer record", "the record holds %d samples", n))
	}
	values, least, most := make([]float64, n), math.Inf(1), math.Inf(-1)
	for i := range n {
		code := t.codes.at(i)
		if code <= t.clipLow || code >= t.clipHigh {
			return all(undecided("choose a larger full scale", "the record is clipped"))
		}
		values[i] = t.volts(code)
		least, most = min(least, values[i]), max(most, values[i])
	}
	noise := max(4*t.resolution, float64(o.Absolute))
	error95 := func(v float64) float64 {
		return quadrature(float64(o.Absolute), float64(o.Relative)*v, t.resolution)
	}
	middle := (least + most) / 2
	// Noise alone reaches further the longer the record is; two levels stand apart by more than their halves scatter.
	apart := most - least
	if apart > noise {
		above, below := split(values, middle)
		apart = above - below
	}
	if apart <= noise {
		mean, square := moments(values)
		m := known(mean, error95(mean)/2)
		return Chopped{Still: true, Mean: m, RMS: known(square, error95(square)/2), High: m, Low: m, Rate: undecided("", "the phase does not chop")}
	}
	rising := risingThrough(values, middle, (most-least)/8)
	if len(rising) <= fewestChops {
		return all(undecided("capture a longer record", "the record holds %d whole periods, %d are needed", max(0, len(rising)-1), fewestChops))
	}
	first, last := rising[0], rising[len(rising)-1]
	periods := float64(len(rising) - 1)
	if (last-first)/periods < 16 {
		return all(undecided("sample faster", "a period has %.3g samples, 16 are needed", (last-first)/periods))
	}
	whole := values[int(math.Ceil(first)):int(math.Ceil(last))]
	mean, square := moments(whole)
	edge := (most - least) / (last - first) // a crossing that lies up to a sample elsewhere
	above, below := split(whole, middle)
	return Chopped{
		Mean: known(mean, quadrature(error95(mean), edge)/2),
		RMS:  known(square, quadrature(error95(square), edge)/2),
		High: known(above, error95(above)/2),
		Low:  known(below, error95(below)/2),
		Rate: known(periods/((last-first)*float64(t.Step)), periods/((last-first)*float64(t.Step))/(last-first)/2),
	}
}

func moments(values []float64) (mean, rms float64) {
	for _, v := range values {
		mean += v
		rms += v * v
	}
	n := float64(len(values))
	return mean / n, math.Sqrt(rms / n)
}

// shortStay is what part of the longest stay above the level is none of the drive's pulses.
const shortStay = 0.25

// risingThrough are the instants, in samples, at which values cross level upwards after they were below it by the hysteresis, to stay
// there for a pulse: in the dead time a phase hangs free, and where another leg switches a moment earlier or later it is pulled up and
// falls at once.
func risingThrough(values []float64, level, hysteresis float64) (out []float64) {
	var ends []float64 // of the stay that begins at each crossing
	below, longest := false, 0.0
	for i := 1; i < len(values); i++ {
		above := len(ends) < len(out)
		switch falls := values[i] < level-hysteresis || i == len(values)-1; {
		case above && falls:
			ends = append(ends, float64(i))
			longest = max(longest, float64(i)-out[len(out)-1])
		case !above && below && values[i] >= level && values[i-1] < level:
			out = append(out, float64(i-1)+(level-values[i-1])/(values[i]-values[i-1]))
			below = false
		}
		below = below || values[i] < level-hysteresis
	}
	kept := out[:0]
	for i, end := range ends {
		if end-out[i] >= shortStay*longest {
			kept = append(kept, out[i])
		}
	}
	return kept
}

// split gives the medians of what lies above and below a level: edges and ringing move them least.
func split(values []float64, level float64) (above, below float64) {
	var up, down []float64
	for _, v := range values {
		if v >= level {
			up = append(up, v)
		} else {
			down = append(down, v)
		}
	}
	slices.Sort(up)
	slices.Sort(down)
	return up[len(up)/2], down[len(down)/2]
}

// Stairs is the fundamental of a quantity that stands at six plateaus a turn, one a sixth: its amplitude and angle, with the first
// plateau at angle zero. It is the first bin of the discrete Fourier transform of the plateaus.
func Stairs(plateaus [6]float64) complex128 {
	var sum complex128
	for k, v := range plateaus {
		sum += complex(v, 0) * cmplx.Rect(1, -math.Pi/3*float64(k))
	}
	return sum / 3
}

// Turn is what three phases do over six Hall states in their order.
type Turn struct {
	Forward   bool // the second phase lags the first
	Unbalance Measure
	Amplitude [3]Measure
}

// SixStep takes the plateaus of phases a, b, c over the six states of a turn, and the 95 % half width of one plateau, apart. The
// unbalance is the smaller over the larger sequence; it is undecided where neither stands clear of its uncertainty.
func SixStep(a, b, c [6]float64, u float64) Turn {
	phasors := [3]complex128{Stairs(a), Stairs(b), Stairs(c)}
	s := Symmetrical(phasors[0], phasors[1], phasors[2])
	main, other := cmplx.Abs(s.Positive), cmplx.Abs(s.Negative)
	turn := Turn{Forward: main >= other}
	if other > main {
		main, other = other, main
	}
	wide := u * math.Sqrt(6) / 3 // of a phasor: six plateaus, each with a third of its weight
	for i, p := range phasors {
		turn.Amplitude[i] = known(cmplx.Abs(p), wide/2)
	}
	if wide /= math.Sqrt(3); main < 3*wide {
		turn.Unbalance = undecided("ask for a larger reference", "the phases turn by %.3g V, which their uncertainty of %.3g V drowns", main, wide)
		return turn
	}
	turn.Unbalance = known(other/main, wide/main/2)
	return turn
}
