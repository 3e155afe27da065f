package waveform

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

func TestStretchesShowADropOut(t *testing.T) {
	codes := make([]byte, 4000)
	for i := range codes {
		if i%20 < 5 && !(i >= 2000 && i < 3000) {
			codes[i] = 150
		}
	}
	tr := FromUint8(codes, 0.1, 0)
	tr.Step, tr.Start = 1e-6, -1e-3
	cut := Stretches(tr, 0.5e-3, 2)
	require.Len(t, cut, 8)
	for n, s := range cut {
		require.InDelta(t, -1e-3+float64(n)*0.5e-3, float64(s.Start), 1e-9)
		require.Zero(t, s.Lowest)
		if n == 4 || n == 5 {
			require.Zero(t, s.Share, "stretch %d", n)
			require.Zero(t, s.Highest)
			continue
		}
		require.InDelta(t, 0.25, float64(s.Share), 1e-9, "stretch %d", n)
		require.InDelta(t, 15, float64(s.Highest), 1e-9)
	}
}

// A stretch tells the same as counting its samples does.
func TestStretchesCountSamples(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		values := make([]float64, 1+random.IntN(300))
		for i := range values {
			values[i] = random.Float64()*20 - 10
		}
		tr := FromFloat64(values)
		tr.Step = 1e-3
		n := 1 + random.IntN(len(values))
		level := random.Float64()*20 - 10
		cut := Stretches(tr, quantity.Seconds(n)*1e-3, quantity.Volts(level))
		require.Len(t, cut, len(values)/n)
		for k, s := range cut {
			above := 0
			for _, v := range values[k*n : (k+1)*n] {
				if v >= level {
					above++
				}
			}
			require.InDelta(t, float64(above)/float64(n), float64(s.Share), 1e-12)
		}
	}
	require.Empty(t, Stretches(Trace{}, 1e-3, 0))
	tr := FromFloat64([]float64{1})
	require.Empty(t, Stretches(tr, 1e-3, 0), "without a time between samples there is no length")
}
