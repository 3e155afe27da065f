package waveform

import (
	"math"
	"math/cmplx"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestResponseRefusesWhatGivesNoLine(t *testing.T) {
	for name, c := range map[string][2][]float64{
		"two pairs":          {{1, 2}, {1, 2}},
		"a missing output":   {{1, 2, 3}, {1, 2}},
		"one reference":      {{5, 5, 5}, {1, 2, 3}},
		"an output not read": {{1, 2, 3}, {1, math.NaN(), 3}},
	} {
		_, err := FitResponse(c[0], c[1])
		require.Error(t, err, name)
	}
}

func TestResponseNamesTheWorstDeviation(t *testing.T) {
	r, err := FitResponse([]float64{-2, -1, 0, 1, 2}, []float64{-2, -1, 0.5, 1, 2})
	require.NoError(t, err)
	require.InDelta(t, 0.4, r.Worst, 1e-12) // the line is raised by 0.1
	require.Zero(t, r.WorstAt)
}

func TestResponseTellsWhereItBegins(t *testing.T) {
	r, err := FitResponse([]float64{2, 3, 4, 5}, []float64{0.9, 2.1, 2.9, 4.1})
	require.NoError(t, err)
	// By hand: gain 1.04, offset -1.14, scatter² 0.016, mean reference 3.5, sum of squares about it 5.
	require.InDelta(t, 1.14/1.04, r.Zero, 1e-12)
	require.InDelta(t, math.Sqrt(0.016)/1.04*math.Sqrt(0.25+(1.14/1.04-3.5)*(1.14/1.04-3.5)/5), r.ZeroU, 1e-9)
	level, err := FitResponse([]float64{1, 2, 3}, []float64{0, 0, 0})
	require.NoError(t, err)
	require.True(t, math.IsNaN(level.Zero), "a level line crosses nowhere")
}

func TestSequencesTellUnbalanceTwoWays(t *testing.T) {
	turn := cmplx.Rect(1, 2*math.Pi/3)
	for _, share := range []float64{0, 0.02, 0.3} {
		// Definition: a positive sequence of 100 V with a share of negative sequence, turned by 40 degrees.
		p, n := complex(100, 0), cmplx.Rect(100*share, 40*math.Pi/180)
		a, b, c := p+n, cmplx.Conj(turn)*p+turn*n, turn*p+cmplx.Conj(turn)*n
		require.InDelta(t, share, Symmetrical(a, b, c).Unbalance(), 1e-12)
		require.InDelta(t, share, LineUnbalance(cmplx.Abs(a-b), cmplx.Abs(b-c), cmplx.Abs(c-a)), 1e-7)
	}
	require.True(t, math.IsNaN(LineUnbalance(100, 10, 10)), "no triangle has such sides")
	require.True(t, math.IsNaN(LineUnbalance(0, 0, 0)))
	require.True(t, math.IsNaN(Sequence{}.Unbalance()))
}
