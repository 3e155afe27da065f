package waveform

import (
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

func seconds(v float64) quantity.Seconds { return quantity.Seconds(v) }
func volts(v float64) quantity.Volts     { return quantity.Volts(v) }

// leg makes the two gate traces of a leg that chops complementarily at 8 kHz with the given dead times (negative:
// overlap). Edges are straight, 100 ns, -8 V to 15 V; the thresholds lie at the middle, 3.5 V, so that the dead times of
// the traces are those of the steps.
func leg(highToLow, lowToHigh float64) (high, low Trace) {
	const period, width = 125e-6, 60e-6
	edge := ramp(100e-9)
	s := scope{start: -20e-6, step: 10e-9, points: 100_000, bits: 8, low: -14, high: 22, noise: 0.05, seed: 1}
	high = s.take(train(-8, 15, edge, edge, 0, period, width))
	s.seed = 2
	low = s.take(train(-8, 15, edge, edge, width+highToLow, period, period-width-highToLow-lowToHigh))
	high.Name, low.Name = "A.high", "A.low"
	return high, low
}

var middle = LegOptions{ThresholdHigh: 3.5, ThresholdLow: 3.5}

func TestDeadTimeOfBothChangeovers(t *testing.T) {
	high, low := leg(3e-6, 2.4e-6)
	l := Leg(high, low, middle)
	require.True(t, l.Applicable)
	holds(t, 3e-6, l.HighToLow.Mean, "high to low")
	holds(t, 2.4e-6, l.LowToHigh.Mean, "low to high")
	holds(t, 3e-6, l.HighToLow.Shortest, "shortest")
	holds(t, 3e-6, l.HighToLow.Longest, "longest")
	require.Equal(t, 8, l.HighToLow.Count)
	require.Equal(t, 8, l.LowToHigh.Count)
	require.Zero(t, l.Overlaps)
	require.Contains(t, l.WorstOverlap.Undecided, "no overlap")
	require.Less(t, l.HighToLow.Mean.U, 30e-9)
	require.InDelta(t, 8, l.MinSamples, 2)
}

func TestMissingDeadTimeIsZeroWithinU(t *testing.T) {
	high, low := leg(0, 0)
	l := Leg(high, low, middle)
	require.True(t, l.Applicable)
	require.LessOrEqual(t, l.HighToLow.Shortest.Value, l.HighToLow.Shortest.U)
	require.LessOrEqual(t, l.LowToHigh.Shortest.Value, l.LowToHigh.Shortest.U)
}

func TestOverlapOnOneEdgeOnlyIsToldApart(t *testing.T) {
	high, low := leg(-400e-9, 3e-6)
	l := Leg(high, low, middle)
	require.True(t, l.Applicable)
	require.Equal(t, 8, l.HighToLow.Overlaps)
	require.Zero(t, l.LowToHigh.Overlaps)
	require.Equal(t, 8, l.Overlaps)
	holds(t, 400e-9, l.HighToLow.WorstOverlap, "worst overlap")
	holds(t, 400e-9, l.WorstOverlap, "worst overlap of all")
	holds(t, -400e-9, l.HighToLow.Shortest, "an overlap is a negative dead time")
	holds(t, 3e-6, l.LowToHigh.Mean, "the other changeover is good")

	high, low = leg(3e-6, -400e-9)
	l = Leg(high, low, middle)
	require.Zero(t, l.HighToLow.Overlaps)
	require.Equal(t, 8, l.LowToHigh.Overlaps)
}

func TestThresholdDecidesAndNotTheMiddle(t *testing.T) {
	// Slow falls and rises of 2 µs, 0 to 12 V, the steps 1 µs apart: at 6 V (50 %) there are 1 µs of dead time, at the
	// devices' 3 V both are above for 0 s: falls reach 3 V 1.5 µs after their step, rises 0.5 µs after theirs.
	const period, width = 100e-6, 40e-6
	edge := ramp(2e-6)
	s := scope{start: -20e-6, step: 10e-9, points: 50_000}
	high := s.take(train(0, 12, edge, edge, 0, period, width))
	low := s.take(train(0, 12, edge, edge, width+0.6e-6, period, 50e-6))
	atMiddle := Leg(high, low, LegOptions{ThresholdHigh: 6, ThresholdLow: 6})
	holds(t, 0.6e-6, atMiddle.HighToLow.Mean, "at the middle")
	atThreshold := Leg(high, low, LegOptions{ThresholdHigh: 3, ThresholdLow: 3})
	holds(t, -0.4e-6, atThreshold.HighToLow.Mean, "at the threshold they overlap")
	require.Equal(t, 5, atThreshold.HighToLow.Overlaps)
}

func TestSkewIsTakenOff(t *testing.T) {
	high, low := leg(3e-6, 3e-6)
	late := low.Shifted(50e-9) // its probe shows everything 50 ns late
	wrong := Leg(high, late, middle)
	holds(t, 3.05e-6, wrong.HighToLow.Mean, "without de-skew")
	o := middle
	o.SkewLow, o.SkewU = 50e-9, 4e-9
	right := Leg(high, late, o)
	holds(t, 3e-6, right.HighToLow.Mean, "with de-skew")
	require.GreaterOrEqual(t, right.HighToLow.Mean.U, 4e-9)
}

func TestOneSideChoppedHasNoDeadTime(t *testing.T) {
	high, _ := leg(3e-6, 3e-6)
	still := scope{start: -20e-6, step: 10e-9, points: 100_000, bits: 8, low: -14, high: 22, noise: 0.05, seed: 9}
	off := still.take(func(float64) float64 { return -8 })
	l := Leg(high, off, middle)
	require.False(t, l.Applicable)
	require.Contains(t, l.Reason, "the high side switches and the low side stays below its threshold")
	require.NotEmpty(t, l.Change)
	require.False(t, l.HighToLow.Mean.Known())
	require.Zero(t, l.Overlaps)

	on := still.take(func(float64) float64 { return 15 })
	l = Leg(high, on, middle)
	require.False(t, l.Applicable)
	require.Contains(t, l.Reason, "the low side stays above its threshold")
	require.Equal(t, 8, l.Overlaps, "a side that stays on overlaps with every pulse of the other")
	holds(t, 60e-6, l.WorstOverlap, "as long as the pulse")

	l = Leg(on, on, middle)
	require.Equal(t, 1, l.Overlaps, "both on over the whole record")
	require.InDelta(t, 1e-3, l.WorstOverlap.AtLeast, 1e-6)
	require.Zero(t, Leg(off, off, middle).Overlaps)
}

func TestRareShortDeadTimeIsFoundInALongRecord(t *testing.T) {
	edge := ramp(100e-9)
	s := scope{step: 50e-9, points: 1_000_000, bits: 8, low: -14, high: 22, seed: 3} // 50 ms
	good := train(-8, 15, edge, edge, 63e-6, 125e-6, 56e-6)
	early := func(t float64) float64 { // one low pulse in 400 comes 2 µs early
		if t > 31.0e-3 && t < 31.1e-3 {
			return good(t + 2e-6)
		}
		return good(t)
	}
	high := s.take(train(-8, 15, edge, edge, 0, 125e-6, 60e-6))
	l := Leg(high, s.take(early), middle)
	holds(t, 1e-6, l.HighToLow.Shortest, "shortest")
	holds(t, 3e-6, l.HighToLow.Longest, "longest")
	require.InDelta(t, 3e-6, l.HighToLow.Mean.Value, 0.02e-6)
}

func TestLegRefusesWhatIsNoRecord(t *testing.T) {
	high, _ := leg(3e-6, 3e-6)
	l := Leg(high, Trace{Name: "A.low"}, middle)
	require.False(t, l.Applicable)
	require.Contains(t, l.Reason, "A.low")
}
