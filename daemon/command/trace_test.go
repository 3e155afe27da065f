package command

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"image/png"
	"io"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func exported(head string) string {
	var b strings.Builder
	b.WriteString(head)
	for i := range 400 {
		fmt.Fprintf(&b, "%.2e,%d\n", float64(i)*1e-7, 5*(i/10%2))
	}
	return b.String()
}

func TestTraceSaysWhatIsInAFile(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	file := p.write(t, "leg.csv", exported("Time (s),A.high (V)\n"))
	r := p.run(t, "trace", file, "--png", p.path("leg.png"), "--svg", p.path("leg.svg"))
	require.Zero(t, r.code, r.output())
	for _, want := range []string{"A.high", "400 samples, one each 100 ns", "frequency       500.0", "duty            50.", "undecided", "at most", "20 rising"} {
		require.Contains(t, r.output(), want)
	}
	for _, line := range strings.Split(r.output(), "\n") {
		require.LessOrEqual(t, len([]rune(strings.SplitN(line, "undecided", 2)[0])), 80, line)
	}
	picture, err := os.ReadFile(p.path("leg.png"))
	require.NoError(t, err)
	drawn, err := png.Decode(bytes.NewReader(picture))
	require.NoError(t, err)
	require.Greater(t, drawn.Bounds().Dx(), 1000)
	svg, err := os.Open(p.path("leg.svg"))
	require.NoError(t, err)
	defer svg.Close()
	words := ""
	for d := xml.NewDecoder(svg); ; {
		token, err := d.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
		if text, ok := token.(xml.CharData); ok {
			words += string(text) + " "
		}
	}
	for _, want := range []string{"leg.csv", "time", "20 µs", "4 V"} {
		require.Contains(t, words, want)
	}
}

func TestTraceAsksForWhatAFileDoesNotSay(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	file := p.write(t, "stick.csv", exported("X,CH1\n"))
	oneLine(t, p.run(t, "trace", file), ExitConfig, "does not say the unit of its times")
	oneLine(t, p.run(t, "trace", file, "--time-unit", "s"), ExitConfig, "does not say the unit of CH1")
	require.Zero(t, p.run(t, "trace", file, "--time-unit", "s", "--unit", "V").code)
	oneLine(t, p.run(t, "trace", file, "--interval", "soon"), ExitUsage, "--interval soon")
	oneLine(t, p.run(t, "trace"), ExitUsage, "at least one file")
	oneLine(t, p.run(t, "trace", file, file, "--png", p.path("x.png")), ExitUsage, "one file")
	oneLine(t, p.run(t, "trace", p.path("gone.csv")), ExitConfig, "gone.csv: no such file")
	oneLine(t, p.run(t, "trace", p.write(t, "letter.txt", "Dear shop,\nplease\n")), ExitConfig, "hold no numbers")
}
