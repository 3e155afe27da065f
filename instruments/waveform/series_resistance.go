package waveform

import (
	"math"

	"benchwarden/instruments/quantity"
)

// SeriesResistance is the resistance in series with a capacitance, from the step that a voltage makes when a current of
// amperes begins: before the step the voltage stands still, afterwards it rises on a straight line. The instant lies
// somewhere between two samples, and what the capacitance gains in that time may look like the step: slow samples leave it
// undecided, with a bound. scatter is the 95 % uncertainty of one sample against its neighbours.
func SeriesResistance(samples []Sample, amperes, amperesU quantity.Amperes, scatter quantity.Volts) Measure {
	const faster = "record the bus with the scope while the current begins, at a fine time base, or use a larger current"
	rises := func(k int) bool { return float64(samples[k].V-samples[0].V) > 3*float64(scatter) }
	k := 0 // the first sample of the rise: the next one has to bear it out
	for k < len(samples)-1 && !(rises(k) && rises(k+1)) {
		k++
	}
	if k < 2 || len(samples)-k < 3 || !(amperes > 0) {
		return undecided(faster, "%d samples before the current begins and %d after it: 2 and 3 are needed", k, len(samples)-k)
	}
	var base tally
	for _, s := range samples[:k] {
		base.add(float64(s.V))
	}
	var seconds, volts []float64
	for _, s := range samples[k:] {
		seconds, volts = append(seconds, float64(s.T-samples[k].T)), append(volts, float64(s.V))
	}
	// A bleeder bends the rise: what the line says at its beginning is held against a line through less of it.
	half, near := max(3, len(seconds)/2), max(3, len(seconds)/4)
	rise, nearer := fitLine(seconds[:half], volts[:half]), fitLine(seconds[:near], volts[:near])
	gap := float64(samples[k].T - samples[k-1].T)
	step := nearer.at(-gap/2) - base.mean()
	i := float64(amperes)
	m := knownBy(step/i, share{"when the current begins", math.Abs(rise.slope) * gap / math.Sqrt(12) / i},
		share{"the line of the rise", max(nearer.interceptU*studentT(near-2)/2, float64(scatter)/math.Sqrt(float64(near))) / i},
		share{"the bend of the rise", (rise.at(-gap/2) - nearer.at(-gap/2)) / i},
		share{"the voltage before it", float64(scatter) / 2 / math.Sqrt(float64(k)) / i}, share{"accuracy of the current", step / i * float64(amperesU) / 2 / i})
	if hidden := math.Abs(rise.slope) * gap / i; m.Known() && m.Value < m.U+hidden {
		bound := max(0, m.Value) + m.U + hidden
		m = undecided(faster, "the step cannot be told from what the voltage rises by between two readings: at most %v", quantity.Ohms(bound))
		m.AtMost = bound
	}
	return m
}
