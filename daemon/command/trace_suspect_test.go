package command

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// gatesExported are exported channels of 50 µs period at 100 ns a sample, each caught at another instant; one of them rises slowly.
func gatesExported(head string, slow int, channels ...int) string {
	var b strings.Builder
	b.WriteString(head)
	for i := range 1500 {
		fmt.Fprintf(&b, "%.4e", float64(i)*1e-7)
		for _, k := range channels {
			tau := 0.15e-6
			if k == slow {
				tau = 1.2e-6
			}
			at := math.Mod(float64(i)*1e-7+float64(7*k)*1e-6, 50e-6)
			volts := 15 * (1 - math.Exp(-at/tau))
			if at > 20e-6 {
				volts = 15 * math.Exp(-(at-20e-6)/0.15e-6)
			}
			fmt.Fprintf(&b, ",%.3f", volts)
		}
		b.WriteString("\n")
	}
	return b.String()
}

func TestTraceDrawsASuspectOverTheBandOfTheOthers(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	file := p.write(t, "four.csv", gatesExported("Time (s),A (V),B (V),C (V),D (V)\n", 2, 0, 1, 2, 3))
	r := p.run(t, "trace", file, "--suspect", "C", "--around", "4us", "--svg", p.path("over.svg"), "--png", p.path("over.png"))
	require.Zero(t, r.code, r.output())
	require.Contains(t, r.output(), "C, over ░ A, B, D")
	require.Regexp(t, `C lies outside the band of the others \(A, B, D\) for \S+ µs of \S+ µs, farthest \d\.\d+ V (below|above) it at`, r.output())
	require.Regexp(t, `rise 10-90 % +2\.\d+ µs ± \S+ ns; the others`, r.output())
	svg, err := os.ReadFile(p.path("over.svg"))
	require.NoError(t, err)
	require.Contains(t, string(svg), ">A, B, D<")
	require.FileExists(t, p.path("over.png"))

	r = p.run(t, "trace", file, "--suspect", "B", "--falling", "--around", "4us", "--no-picture")
	require.Contains(t, r.output(), "B stays within the band of the others (A, C, D), nowhere further out than 30", "it falls as they do")
	require.NotContains(t, r.output(), "░")
}

func TestTraceTakesASuspectFromFilesOfItsOwn(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	head := "Time (s),CH1 (V)\n"
	a, b, c := p.write(t, "a.csv", gatesExported(head, 9, 0)), p.write(t, "b.csv", gatesExported(head, 9, 1)), p.write(t, "c.csv", gatesExported(head, 2, 2))
	r := p.run(t, "trace", a, b, c, "--suspect", "c.csv")
	require.Zero(t, r.code, r.output())
	require.Contains(t, r.output(), "c.csv CH1 lies outside the band of the others (a.csv CH1, b.csv CH1)")
	require.Contains(t, r.output(), "50.0 µs", "a whole period")

	amperes := p.write(t, "amperes.csv", gatesExported("Time (s),I1 (A),I2 (A),I3 (A)\n", 2, 0, 1, 2))
	require.Regexp(t, `I3 lies outside the band of the others .* farthest \S+ A (above|below) it`, p.run(t, "trace", amperes, "--suspect", "I3", "--no-picture").output())

	oneLine(t, p.run(t, "trace", a, b, c, "--suspect", "CH1"), ExitUsage, "said of 3 channels")
	oneLine(t, p.run(t, "trace", a, b, c, "--suspect", "CH2"), ExitUsage, "there are CH1 of a.csv")
	oneLine(t, p.run(t, "trace", a, b, "--suspect", "a.csv"), ExitUsage, "nobody knows which is the odd one")
	oneLine(t, p.run(t, "trace", a, b, c, "--suspect", "c.csv", "--around", "wide"), ExitUsage, "--around wide")
	oneLine(t, p.run(t, "trace", a, "--falling"), ExitUsage, "name it with --suspect")
	mixed := p.write(t, "mixed.csv", gatesExported("Time (s),A (V),B (V),C (A)\n", 9, 0, 1, 2))
	oneLine(t, p.run(t, "trace", mixed, "--suspect", "A"), ExitUsage, "only what is of one kind")
}
