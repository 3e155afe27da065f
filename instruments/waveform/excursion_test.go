package waveform

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestExcursionsAboveAThreshold(t *testing.T) {
	// A gate at 0 V that twitches: a triangle up to 5 V from 100 to 110 µs, and a bump of 1.5 V that stays below.
	f := func(t float64) float64 {
		switch {
		case t > 100e-6 && t <= 105e-6:
			return (t - 100e-6) / 5e-6 * 5
		case t > 105e-6 && t < 110e-6:
			return (110e-6 - t) / 5e-6 * 5
		case t > 200e-6 && t < 300e-6:
			return 1.5
		}
		return 0
	}
	trace := scope{step: 0.1e-6, points: 5000, bits: 8, low: -5, high: 10, noise: 0.02, seed: 2}.take(f)
	found := Crossings(trace, 2)
	require.Len(t, found, 1)
	require.InDelta(t, 102e-6, float64(found[0].Start), 0.1e-6)
	require.InDelta(t, 6e-6, float64(found[0].Duration), 0.2e-6) // triangle above 2 of 5 V: 0.6 of 10 µs
	require.InDelta(t, 5, float64(found[0].Peak), 0.12)
	require.False(t, found[0].Open)
	require.Len(t, Crossings(trace, 1), 2)
	require.Empty(t, Crossings(trace, 6))
}

func TestASingleSampleAboveIsAnExcursion(t *testing.T) {
	codes := make([]byte, 1000)
	codes[533] = 90
	trace := FromUint8(codes, 0.1, 0)
	trace.Step = 1e-6
	found := Crossings(trace, 4)
	require.Len(t, found, 1)
	require.InDelta(t, 9, float64(found[0].Peak), 1e-9)
	require.InDelta(t, 533e-6, float64(found[0].Start), 1e-6)
}

func TestAnExcursionAtTheEndsIsOpen(t *testing.T) {
	trace := FromFloat64([]float64{5, 5, 0, 0, 0, 0, 0, 0, 0, 0, 5, 5})
	trace.Step = 1
	found := Crossings(trace, 3)
	require.Len(t, found, 2)
	require.True(t, found[0].Open)
	require.True(t, found[1].Open)
	require.Empty(t, Crossings(Trace{}, 3))
}

func TestNoiseAtTheLevelDoesNotSplitAnExcursion(t *testing.T) {
	f := func(t float64) float64 {
		if t > 100e-6 && t < 400e-6 {
			return 4.05
		}
		return 0
	}
	trace := scope{step: 0.1e-6, points: 5000, bits: 8, low: -5, high: 10, noise: 0.03, seed: 5}.take(f)
	require.Len(t, Crossings(trace, 4), 1)
}

func TestWhatThePatternExplainsIsTakenOut(t *testing.T) {
	found := []Excursion{{Start: 1, Duration: 1}, {Start: 5, Duration: 2}, {Start: 9, Duration: 1}}
	left := Outside(found, []Span{{From: 0.5, To: 2.5}, {From: 4, To: 6}})
	require.Equal(t, found[1:], left, "an excursion that outlasts its span stays")
}

func TestOverlapsOfTwoTraces(t *testing.T) {
	a := FromFloat64([]float64{0, 0, 9, 9, 9, 0, 0, 0, 0, 9, 9, 0})
	b := FromFloat64([]float64{0, 0, 0, 0, 9, 9, 9, 0, 0, 0, 0, 0})
	a.Step, b.Step = 1, 1
	found := Overlaps(a, b, 4.5, 4.5)
	require.Len(t, found, 1)
	require.InDelta(t, 3.5, float64(found[0].Start), 1e-9)
	require.InDelta(t, 1, float64(found[0].Duration), 1e-9)
	require.Empty(t, Overlaps(a, b.Shifted(20), 4.5, 4.5))
}
