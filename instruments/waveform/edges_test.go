package waveform

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestNoiseOnASlowEdgeIsNoExtraPulseAndDoesNotPullTheInstant(t *testing.T) {
	// 30 µs edges at 20 ns a sample and 0.1 V of noise on 12 V: each level is crossed dozens of times.
	f := train(0, 12, ramp(30e-6), ramp(30e-6), 20e-6, 200e-6, 100e-6)
	p := Analyse(scope{step: 20e-9, points: 100_000, bits: 16, low: -5, high: 17, noise: 0.1, seed: 6}.take(f), Options{})
	require.Equal(t, 10, p.Rises)
	require.Equal(t, 10, p.Falls)
	require.InEpsilon(t, 24e-6, p.Rise.Value, 0.005)
	require.InEpsilon(t, 24e-6, p.Fall.Value, 0.005)
	require.InEpsilon(t, 100e-6, p.PulseWidth.Value, 0.002)
	holds(t, 24e-6, p.Rise, "rise")
}

func TestOneSpikeIsUnclearAndNeverAPulseTrain(t *testing.T) {
	codes := make([]byte, 10_000)
	for i := range codes {
		codes[i] = 50
	}
	codes[4000], codes[4001], codes[4002] = 180, 200, 160
	trace := FromUint8(codes, 0.1, -5)
	trace.Step = 1e-7
	p := Analyse(trace, Options{})
	require.Equal(t, Unclear, p.Kind)
	require.Contains(t, p.Reason, "1 rising and 1 falling edge")
	require.InDelta(t, 15, p.Max, 1e-9)
	holds(t, 0, p.Low, "low")
}

func TestAnEdgeThatTurnsBackHasNoTransitionDuration(t *testing.T) {
	// Every pulse but the first reaches 80 % only: proven pulses, but no transition from 10 % to 90 %.
	f := func(t float64) float64 {
		phase := math.Mod(t, 50e-6)
		switch {
		case t < 300e-6:
			return 10
		case phase < 10e-6:
			return 0
		case phase < 20e-6:
			return 8 * (phase - 10e-6) / 10e-6
		case phase < 30e-6:
			return 8 * (30e-6 - phase) / 10e-6
		}
		return 0
	}
	p := Analyse(scope{step: 1e-7, points: 10_000}.take(f), Options{})
	require.Equal(t, 14, p.Rises)
	require.False(t, p.Rise.Known())
	require.Contains(t, p.Rise.Undecided, "no rising edge goes from 10 % to 90 %")
}

func TestHighlyUnequalDutyStillFindsBothStates(t *testing.T) {
	for _, duty := range []float64{0.01, 0.99} {
		f := train(-8, 15, ramp(100e-9), ramp(100e-9), 10e-6, 100e-6, duty*100e-6)
		p := Analyse(scope{step: 10e-9, points: 100_000, bits: 8, low: -14, high: 22, noise: 0.1, seed: 8}.take(f), Options{})
		require.Equal(t, Pulsing, p.Kind)
		holds(t, -8, p.Low, "low")
		holds(t, 15, p.High, "high")
		holds(t, duty, p.Duty, "duty")
	}
}

func TestNoiseIsEstimatedBesideEdges(t *testing.T) {
	f := train(-8, 15, ramp(1e-6), ramp(1e-6), 10e-6, 100e-6, 50e-6)
	for _, deviation := range []float64{0.02, 0.1, 0.5} {
		p := Analyse(scope{step: 100e-9, points: 100_000, bits: 16, low: -14, high: 22, noise: deviation, seed: 8}.take(f), Options{})
		require.InEpsilon(t, deviation, p.Noise, 0.1)
	}
}

func TestTallyKeepsMeanAndDeviationOfValuesFarFromZero(t *testing.T) {
	var a tally
	for _, v := range []float64{1e9 + 4, 1e9 + 7, 1e9 + 13, 1e9 + 16} {
		a.add(v)
	}
	require.InDelta(t, 1e9+10, a.mean(), 1e-6)
	require.InDelta(t, math.Sqrt(30), a.deviation(), 1e-9)
	require.Zero(t, (&tally{}).mean())
	require.Zero(t, (&tally{}).deviation())
}

// A search four codes at a time finds what a search one at a time finds, at every start, at both ends of the range too.
func TestSearchOfWideCodesFindsTheFirst(t *testing.T) {
	random := rand.New(rand.NewPCG(4, 16))
	for range 2000 {
		codes := make(words, random.IntN(70))
		for i := range codes {
			codes[i] = []int16{-32768, -32767, -1, 0, 1, 32766, 32767, int16(random.IntN(65536) - 32768)}[random.IntN(8)]
		}
		level := []float64{-32769, -32768, -32767.5, -1, 0, 0.5, 32767, 32768, float64(random.IntN(65536) - 32768)}[random.IntN(9)]
		from := random.IntN(len(codes) + 1)
		up, down := len(codes), len(codes)
		for i := len(codes) - 1; i >= from; i-- {
			if float64(codes[i]) >= level {
				up = i
			}
			if float64(codes[i]) <= level {
				down = i
			}
		}
		require.Equal(t, up, codes.nextAtLeast(from, level))
		require.Equal(t, down, codes.nextAtMost(from, level))
	}
}
