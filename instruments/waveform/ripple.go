package waveform

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Ripple is the alternating part of a steady voltage.
type Ripple struct {
	PeakToPeak Measure `json:"peak_to_peak"` // V
	RMS        Measure `json:"rms"`          // V, without the mean
	Frequency  Measure `json:"frequency"`    // Hz, of the strongest component
}

const (
	fewestPeriods    = 4       // below that the components of a record run into each other (common practice, no source)
	mostTransformed  = 1 << 16 // longer records are averaged down to at most so many points before they are transformed
	standsOut        = 8       // how far the strongest component has to stand above the middle one to be told
	sidelobesOfABin  = 0.02    // standard uncertainty of the place of a component between two bins, by what lies beside it
	doubtOfTheNoise  = 0.1     // relative standard uncertainty of the noise's square: of 1,024 differences 0.04, and what they leave out
	fewestForRipple  = 64
	lookLonger       = "record at least four periods"
	largerOrMoveIt   = "choose a larger full scale or move the centre"
	shapeIsNoChance  = 1.8 // by which what the shape of a peak leaves open counts: its ends are to be held as often as what lies between
	smallerFullScale = "choose a smaller full scale, with the input coupled to a.c. where the scope can do that"
)

// FindRipple measures what a steady voltage carries. Gain and Timebase of the options enter the uncertainties; an offset
// of the instrument does not show in ripple. Peak to peak is that of the mean period where the record holds nothing but periods
// that repeat and noise; else what the record holds less what its noise adds at the extremes, with a bound as its uncertainty. The
// root mean square is taken over whole periods with the noise's square taken off.
func FindRipple(t Trace, o Options) Ripple {
	n := t.Len()
	if n < fewestForRipple || !(t.Step > 0) {
		none := undecided("record more samples", "%d samples are too few for a ripple", n)
		return Ripple{none, none, none}
	}
	values := make([]float64, n)
	var all tally
	for i := range values {
		values[i] = t.At(i)
		all.add(values[i])
		if clipped := float64(t.codes.at(i)); clipped <= t.clipLow || clipped >= t.clipHigh {
			m := undecided(largerOrMoveIt, "clipped: the voltage reaches the end of the scope's range")
			m.AtLeast = all.greatest - all.least
			return Ripple{m, m, undecided(largerOrMoveIt, "clipped: the voltage reaches the end of the scope's range")}
		}
	}
	swing := all.greatest - all.least
	if math.IsNaN(swing) || math.IsInf(swing, 0) {
		none := undecided("read the trace again", "the trace holds what is no finite number")
		return Ripple{none, none, none}
	}
	sigma := noiseOnRipple(values, t.resolution)
	r := Ripple{Frequency: mainFrequency(values, sigma, float64(t.Step), o)}
	r.PeakToPeak = peakToPeak(values, all, sigma, t.resolution, r.Frequency, float64(t.Step), o)
	r.RMS = rmsOf(values, sigma, t.resolution, r.Frequency, float64(t.Step), o)
	return r
}

// noiseOnRipple estimates the standard deviation of the noise from third differences at up to 1024 places: a ripple that is
// sampled a few dozen times a period all but vanishes from these, while it would count as noise in first ones.
func noiseOnRipple(values []float64, resolution float64) float64 {
	n := len(values) - 3
	places := min(n, 1024)
	squares := make([]float64, places)
	for k := range squares {
		v := values[k*n/places:]
		d := v[3] - 3*v[2] + 3*v[1] - v[0]
		squares[k] = d * d / 20 // the sum of the squares of the coefficients
	}
	slices.Sort(squares)
	limit := max(25*squares[places/2], resolution*resolution) // jumps of the ripple itself are outvoted
	var sum tally
	for _, s := range squares {
		if s > limit {
			break
		}
		sum.add(s)
	}
	return math.Sqrt(sum.mean())
}

// peakToPeak takes off what the noise adds at both extremes. How much that is follows from how many samples lie near to an
// extreme, within what the shape of the peak, from a corner to a flat top, leaves open: that is bounded, and so U is a bound.
func peakToPeak(values []float64, all tally, sigma, resolution float64, frequency Measure, step float64, o Options) Measure {
	swing := all.greatest - all.least
	if most := 2 * sigma * math.Sqrt(2*math.Log(float64(len(values)))); swing <= 2*resolution || swing <= most {
		m := undecided(smallerFullScale, "no ripple stands out of the noise and the steps of the trace")
		m.AtMost = swing + resolution
		return m
	}
	if frequency.Known() {
		if m, ok := ofTheMeanPeriod(values, swing, sigma, resolution, frequency.Value*step, o); ok {
			return m
		}
	}
	toggles := sigma < 0.6*resolution // two codes that take turns look like noise, whatever there is of it
	if !toggles {                     // the steps themselves are in sigma, and reach no further
		sigma = math.Sqrt(sigma*sigma - resolution*resolution/12)
	}
	var added, open float64
	var noise, steps, cut budget
	for _, beyond := range []func(v float64) float64{func(v float64) float64 { return all.greatest - v }, func(v float64) float64 { return v - all.least }} {
		near := 0
		for _, v := range values {
			if beyond(v) <= nearExtreme*sigma {
				near++
			}
		}
		corner, flat := reach(near, cornerTail), reach(near, flatTail)
		added += sigma * (corner + flat) / 2
		open += sigma * (flat - corner) / 2
		noise.scatters(sigma * min(1, 1.8/max(flat, 1))) // what the extreme itself scatters, and with it the number that lies near
		steps.within(resolution / 2)
	}
	noise.scatters(added * doubtOfTheNoise / 2)
	if toggles {
		added /= 2
		open += added
	}
	if frequency.Known() { // an extreme that lies between two samples: at most what a sawtooth goes in one
		cut.within(swing * frequency.Value * step)
	}
	return statedBy(swing-added, portion{"noise at the extremes", noise}, portion{"shape of the peaks", limits(shapeIsNoChance * open)},
		portion{"resolution of the trace", steps}, portion{gainPart, limits(float64(o.Gain) * swing)},
		portion{"extremes between two samples", cut})
}

// ofTheMeanPeriod is the peak to peak value of the mean period; false where the record holds more than one period that repeats.
func ofTheMeanPeriod(values []float64, swing, sigma, resolution, perStep float64, o Options) (Measure, bool) {
	c, ok := newCycle(values, perStep, resolution)
	if !ok || c.pure > moreThanNoise*sigma*sigma+resolution*resolution/4 {
		return Measure{}, false
	}
	top, openTop, upper := c.extreme(1)
	bottom, openBottom, lower := c.extreme(-1)
	if !upper || !lower {
		return Measure{}, false
	}
	value := top.value + bottom.value
	// What noise and steps add to the extremes of the whole record.
	if added := 2 * (math.Sqrt(c.pure)*(math.Sqrt(2*math.Log(float64(len(values))))+1) + resolution); !(math.Abs(swing-value) <= added) {
		return Measure{}, false
	}
	var noise, steps, shape budget
	for _, e := range []curve{top, bottom} {
		scatter := e.u
		if v := c.varies(values, e.at); v > 2*e.u { // more than noise explains
			scatter = v
		}
		noise.scatters(scatter)
		if resolution > 0 {
			steps.within(c.dithered(resolution, e.span) / math.Sqrt(max(1, e.span/resolution)))
		}
	}
	shape.within(shapeIsNoChance * openTop)
	shape.within(shapeIsNoChance * openBottom)
	shape.within(value / float64(2*len(c.place)))
	return statedBy(value, portion{"noise of the trace", noise}, portion{"resolution of the trace", steps},
		portion{gainPart, limits(float64(o.Gain) * value)}, portion{"shape of the peaks", shape}), true
}

// moreThanNoise is how many times the noise's variance the values of a phase may have from period to period.
const moreThanNoise = 1.3

// nearExtreme is how many standard deviations from an extreme samples count as near to it.
const nearExtreme = 4

// reach is how many standard deviations of the noise the extreme lies beyond the peak itself, when so many samples lie near to the
// extreme: tail is in proportion to how many reach beyond t, and the extreme is where that is about 0.56 of a sample (see extremeOf).
func reach(near int, tail func(t float64) float64) float64 {
	low, high := 0.0, 8.0
	for range 40 {
		if t := (low + high) / 2; float64(near)*tail(t) > 0.56*tail(t-nearExtreme) {
			low = t
		} else {
			high = t
		}
	}
	return low
}

// flatTail is the share of normal noise beyond t; cornerTail is its integral, for a signal that comes to its peak on a straight line.
func flatTail(t float64) float64 { return math.Erfc(t/math.Sqrt2) / 2 }

func cornerTail(t float64) float64 {
	return math.Exp(-t*t/2)/math.Sqrt(2*math.Pi) - t*flatTail(t)
}

func rmsOf(values []float64, sigma, resolution float64, frequency Measure, step float64, o Options) Measure {
	n, window := len(values), 0.0
	if frequency.Known() {
		periods := math.Floor(float64(n) * step * frequency.Value)
		n = min(n, int(math.Round(periods/(frequency.Value*step))))
		window = sidelobesOfABin / periods / 2 // the root is off by half of what the mean square is
	}
	var some tally
	for _, v := range values[:n] {
		some.add(v)
	}
	deviation := some.deviation()
	square := deviation*deviation - sigma*sigma
	if !frequency.Known() || square <= 0.6*sigma*sigma {
		m := undecided(smallerFullScale, "no ripple stands out of the noise: %s", frequency.Undecided)
		if frequency.Known() {
			m = undecided(smallerFullScale, "no ripple stands out of the noise of the trace")
		}
		m.AtMost = deviation + resolution
		return m
	}
	rms := math.Sqrt(square)
	scatter := func(u float64) (b budget) {
		b.scatters(u)
		return b
	}
	return statedBy(rms, portion{"noise of the trace", scatter(sigma / math.Sqrt(float64(n)))},
		portion{"the noise's own size", scatter(doubtOfTheNoise * sigma * sigma / (2 * rms))},
		portion{"resolution of the trace", scatter(resolution / math.Sqrt(12) / math.Sqrt(float64(n)))},
		portion{gainPart, limits(float64(o.Gain) * rms)}, portion{"ends of the record", scatter(window * rms)})
}

// mainFrequency finds the strongest component of the record under a Hann window, and its place between the bins from its
// stronger neighbour: for a single tone the ratio a of the two gives (2a-1)/(a+1) bins.
func mainFrequency(values []float64, sigma, step float64, o Options) Measure {
	block := (len(values) + mostTransformed - 1) / mostTransformed
	n := len(values) / block
	mean := 0.0
	short := make([]float64, n)
	for i := range short {
		for _, v := range values[i*block : (i+1)*block] {
			short[i] += v / float64(block)
		}
		mean += short[i] / float64(n)
	}
	for i := range short {
		short[i] = (short[i] - mean) * (1 - math.Cos(2*math.Pi*float64(i)/float64(n))) / 2
	}
	bins := fourier.NewFFT(n).Coefficients(nil, short)
	size := make([]float64, len(bins))
	for i, c := range bins {
		size[i] = cmplx.Abs(c)
	}
	k := 1
	for i := 1; i < len(size)-1; i++ {
		if size[i] > size[k] {
			k = i
		}
	}
	// The mean under the window leaks into the first two bins; noise alone makes bins of sigma·√(3n/8).
	floor := max(middleOf(size), sigma/math.Sqrt(float64(block))*math.Sqrt(3*float64(n)/8))
	switch {
	case !(size[k] > standsOut*floor) || size[k] == 0:
		return undecided(smallerFullScale, "no component stands out of the noise")
	case k < fewestPeriods:
		return undecided(lookLonger, "the record holds %d periods of the strongest component, too few to tell it", k)
	}
	left, right := size[k-1], size[k+1]
	away := 0.0
	if beside := max(left, right); beside > 0 {
		a := beside / size[k]
		if away = (2*a - 1) / (a + 1); left > right {
			away = -away
		}
	}
	bin := 1 / (float64(n) * float64(block) * step)
	hertz := (float64(k) + away) * bin
	var beside, noise budget
	beside.scatters(sidelobesOfABin * bin)
	noise.scatters(floor / size[k] * bin)
	return statedBy(hertz, portion{"what lies beside the component", beside}, portion{"noise of the trace", noise},
		portion{"time base", limits(float64(o.Timebase) * hertz)})
}

// middleOf is the middle of the sizes, which the few components of a ripple do not move.
func middleOf(size []float64) float64 {
	sorted := slices.Sorted(slices.Values(size))
	return sorted[len(sorted)/2]
}
