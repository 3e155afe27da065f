package picture

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

func TestMarksAreRoundAndLieWithin(t *testing.T) {
	for _, tt := range []struct {
		low, high float64
		want      []float64
	}{
		{0, 10, []float64{0, 2, 4, 6, 8, 10}},
		{-1.3, 5.8, []float64{0, 2, 4}},
		{0, 6e-4, []float64{0, 1e-4, 2e-4, 3e-4, 4e-4, 5e-4, 6e-4}},
		{3, 3, []float64{3}},
	} {
		got := marks(tt.low, tt.high, 6)
		require.InDeltaSlice(t, tt.want, got, 1e-12*max(1, tt.high), "%v to %v: %v", tt.low, tt.high, got)
	}
}

func TestTheTerminalPictureShowsEverySpike(t *testing.T) {
	x := make([]float64, 500)
	low, high := make([]float64, 500), make([]float64, 500)
	for i := range x {
		x[i] = float64(i) * 1e-6
	}
	high[250] = 12
	c := Chart{X: Axis{Unit: quantity.Second}, Y: Axis{Unit: quantity.Volt}, Curves: []Curve{{Name: "gate", X: x, Y: low, High: high}}}
	lines := strings.Split(strings.TrimRight(c.Terminal(80, 6), "\n"), "\n")
	require.Len(t, lines, 1+6+1)
	require.Contains(t, lines[1], "12.00 V")
	require.Contains(t, lines[6], "0 V")
	for _, line := range lines[1:7] {
		require.LessOrEqual(t, len([]rune(line)), 80)
		drawn := strings.Trim(strings.SplitN(line, "│", 2)[1], "\u2800")
		require.NotEmpty(t, drawn, "the spike passes through every line")
	}
	top := []rune(strings.SplitN(lines[1], "│", 2)[1])
	require.NotEqual(t, rune(0x2800), top[250*len(top)/500], "in the middle")
}

func TestACurveThatStandsStillIsDrawn(t *testing.T) {
	c := Chart{X: Axis{Unit: quantity.Second}, Y: Axis{Unit: quantity.Volt}, Curves: []Curve{{Name: "bus", X: []float64{0, 1}, Y: []float64{72, 72}}}}
	require.NotEmpty(t, strings.Trim(c.Terminal(60, 4), "\u2800 \n"))
	var b strings.Builder
	require.NoError(t, c.SVG(&b, Wide))
	require.Contains(t, b.String(), "72")
}

func TestASuspectStandsOverWhatLiesBeneath(t *testing.T) {
	x := []float64{0, 1, 2, 3}
	c := Chart{X: Axis{Unit: quantity.Second}, Y: Axis{Unit: quantity.Volt}, Curves: []Curve{
		{Name: "the others", X: x, Y: []float64{8, 8, 8, 8}, High: []float64{10, 10, 10, 10}, Beneath: true},
		{Name: "suspect", X: x, Y: []float64{0, 0, 0, 0}}}}
	lines := strings.Split(strings.TrimRight(c.Terminal(80, 10), "\n"), "\n")
	require.Equal(t, "suspect, over ░ the others", lines[0])
	require.Len(t, lines, 1+10+1, "one picture, on one scale")
	part := func(line string) string { return strings.SplitN(line, "│", 2)[1] }
	require.GreaterOrEqual(t, strings.Count(part(lines[1]), "░"), 66, "a band of four points has no gaps")
	require.NotContains(t, part(lines[10]), "░")
	require.NotContains(t, part(lines[10])[:3*66], "\u2800", "neither has the line")
	require.Equal(t, strings.Repeat("\u2800", 69), part(lines[5]), "nothing between them")

	var b strings.Builder
	require.NoError(t, c.SVG(&b, Wide))
	require.Less(t, strings.Index(b.String(), "#D3D5D8"), strings.LastIndex(b.String(), "#12334D"), "the suspect is drawn later, over the band")
	require.Greater(t, strings.Index(b.String(), "#D3D5D8"), 0)
}
