package waveform

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// edgeOf is a rising single pole from 0 V to 10 V at zero seconds, in 8-bit codes of 50 mV.
func edgeOf(r *rand.Rand, tau, step, start float64, n int) Trace {
	codes := make([]byte, n)
	for i := range codes {
		at := start + float64(i)*step
		v := 0.02 * r.NormFloat64()
		if at > 0 {
			v += 10 * (1 - math.Exp(-at/tau))
		}
		codes[i] = byte(max(1, min(254, math.Round((v+1)/0.05))))
	}
	t := FromUint8(codes, 0.05, -1)
	t.Start, t.Step = quantity.Seconds(start), quantity.Seconds(step)
	return t
}

// Every sample of every trace lies within the band of all of them, whatever their steps and beginnings.
func TestABandHoldsEverySampleOfItsTraces(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	for range 50 {
		var traces []Trace
		for range 2 + r.IntN(5) {
			traces = append(traces, edgeOf(r, 1e-7*(1+r.Float64()), 1e-8*(0.3+r.Float64()), -1e-6*r.Float64(), 50+r.IntN(200)))
		}
		b := BandOf(traces, -1e-6, 2e-6, 1+r.IntN(400))
		for _, one := range traces {
			for i := range one.Len() {
				if at := one.Time(i); at < 2e-6 {
					k := int((at - b.From) / b.Step)
					require.GreaterOrEqual(t, one.At(i), b.Extents[k].Low-1e-9)
					require.LessOrEqual(t, one.At(i), b.Extents[k].High+1e-9)
				}
			}
			require.Zero(t, b.Departure(one, 1e-9), "none of them leaves it")
		}
	}
}

// A slower edge leaves the band of quicker ones downwards. Single poles, analytic: 10 V·(e^(-t/τ₁) - e^(-t/τ₂)) is greatest at
// t = ln(τ₁/τ₂)·τ₁τ₂/(τ₁-τ₂); for 300 and 100 ns 3.849 V at 164.8 ns.
func TestASlowEdgeLeavesTheBandOfItsSiblings(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 2))
	var others []Trace
	for range 5 {
		others = append(others, edgeOf(r, 1e-7, 1e-8, -5e-7, 300))
	}
	b := BandOf(others, -5e-7, 2e-6, 250)
	d := b.Departure(edgeOf(r, 3e-7, 1e-8, -5e-7, 300), 0.2)
	require.InDelta(t, -3.849, float64(d.Furthest), 0.25)
	require.InDelta(t, 164.8e-9, float64(d.At), 70e-9, "the greatest distance is flat, and the noise moves it")
	require.InDelta(t, 1.17e-6, float64(d.For), 0.06e-6, "until 10 V·e^(-t/300 ns) is 0.2 V")
	require.InDelta(t, 10, float64(b.Height()), 0.4)
	require.Zero(t, b.Departure(edgeOf(r, 1e-7, 1e-8, -5e-7, 300), 0.2), "one like the others does not")
}

func TestABandIsEmptyWhereNoTraceReaches(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	one := edgeOf(r, 1e-7, 1e-8, 0, 100)
	b := BandOf([]Trace{one, {}}, -1e-6, 2e-6, 30)
	require.True(t, math.IsNaN(b.Extents[0].Low))
	require.True(t, math.IsNaN(b.Extents[29].Low))
	require.False(t, math.IsNaN(b.Extents[12].Low))
	require.Zero(t, BandOf(nil, 0, 1, 3).Height())
	require.Zero(t, BandOf(nil, 0, 1, 3).Departure(one, 0), "beside nothing nothing is odd")
}

func TestFirstEdgeAndSection(t *testing.T) {
	codes := make([]byte, 400)
	for i := range codes {
		codes[i] = byte(50 + 150*(i/100%2)) // up at 100, down at 200, up at 300
	}
	for name, full := range map[string]Trace{"8 bit": FromUint8(codes, 0.1, -5), "floats": FromFloat64([]float64{0, 0, 15, 15, 0, 0, 15, 15})} {
		full.Step, full.Name = 1e-3, name
		scale := quantity.Seconds(full.Len()) / 400
		up, ok := full.FirstEdge(7.5, 2, true, 0)
		require.True(t, ok)
		require.InDelta(t, float64(100*scale), float64(up/1e-3), 1, name)
		down, ok := full.FirstEdge(7.5, 2, false, 0)
		require.True(t, ok)
		require.InDelta(t, float64(200*scale), float64(down/1e-3), 1, name)
		second, ok := full.FirstEdge(7.5, 2, true, up+full.Step)
		require.True(t, ok)
		require.InDelta(t, float64(300*scale), float64(second/1e-3), 1, name)
		_, ok = full.FirstEdge(7.5, 2, true, second+full.Step)
		require.False(t, ok)

		cut := full.Section(full.Time(2), full.Time(5))
		require.Equal(t, 4, cut.Len(), name)
		for i := range 4 {
			require.Equal(t, full.At(2+i), cut.At(i))
			require.InDelta(t, float64(full.Time(2+i)), float64(cut.Time(i)), 1e-15)
		}
		require.Equal(t, full.Len(), full.Section(-1, 1).Len(), "no more than there is")
		require.Zero(t, full.Section(1, 2).Len())
	}
	_, ok := Trace{}.FirstEdge(0, 1, true, 0)
	require.False(t, ok)
}

// A gate of 1 nF behind 10 ohm on 12 V passes a threshold of 3 V after R·C·ln(12/9) = 2.8768 ns (exponential charging, computed), and
// half of its level after 0.693147 of its time constant.
func TestAGatePassesItsThresholdWhenItsChargeSaysSo(t *testing.T) {
	const step = 0.01e-9
	volts := make([]float64, 8000)
	for i := range volts {
		if at := float64(i)*step - 10e-9; at > 0 {
			volts[i] = 12 * (1 - math.Exp(-at/10e-9))
		}
	}
	trace := FromFloat64(volts)
	trace.Start, trace.Step = -10e-9, step
	for level, want := range map[quantity.Volts]float64{3: 2.8768e-9, 6: 6.93147e-9} {
		at, ok := trace.FirstEdge(level, 1, true, -10e-9)
		require.True(t, ok)
		require.InDelta(t, want, float64(at), 1e-13)
	}
}
