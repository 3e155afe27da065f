package drive

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// Source of testdata/preferred_values.csv: IEC 60063:2015, series E24 and E96, as a public listing has them.
func TestEveryPublishedValueIsFoundAndNothingElse(t *testing.T) {
	f, err := os.Open("testdata/preferred_values.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	published := map[string][]float64{}
	for _, row := range rows[1:] {
		v, err := strconv.ParseFloat(row[1], 64)
		require.NoError(t, err)
		published[row[0]] = append(published[row[0]], v)
	}
	require.Equal(t, published["E24"], e24)
	require.Equal(t, published["E96"], e96())
}

func TestNearestPreferred(t *testing.T) {
	for name, c := range map[string]struct {
		reading, u quantity.Ohms
		want       string
	}{
		"a value of both series is told once":   {10.02, 0.01, "10 Ω (E24)"},
		"each series has its own nearest":       {2.39, 0.01, "2.4 Ω (E24), 2.37 Ω (E96)"},
		"a value of one series alone":           {4990, 5, "5.1 kΩ (E24), 4.99 kΩ (E96)"},
		"the next decade is near the end":       {9.9, 0.01, "10 Ω (E24)"},
		"the historical values are the real":    {2.65, 0.01, "2.7 Ω (E24), 2.67 Ω (E96)"},
		"too uncertain for one part in hundred": {2.4, 0.06, "2.4 Ω (E24)"},
		"too uncertain for any":                 {2.4, 0.2, ""},
		"a short is no resistor":                {0, 0.01, ""},
		"below zero":                            {-3, 0.01, ""},
		"open":                                  {quantity.Ohms(math.Inf(1)), 0.01, ""},
		"no number":                             {quantity.Ohms(math.NaN()), 0.01, ""},
		"an uncertainty that is none":           {10, quantity.Ohms(math.NaN()), ""},
	} {
		text := ""
		for i, p := range NearestPreferred(c.reading, c.u) {
			if i > 0 {
				text += ", "
			}
			text += p.String()
		}
		require.Equal(t, c.want, text, name)
	}
}

// A reading is never farther from the value told than half a step of the series, whatever its decade.
func TestTheNearestIsWithinHalfAStep(t *testing.T) {
	for exponent := -3.0; exponent < 8; exponent += 0.0037 {
		reading := math.Pow(10, exponent)
		for _, p := range NearestPreferred(quantity.Ohms(reading), 0) {
			widest := map[string]float64{"E24": 1.5 / 1.3, "E96": 1.024 * 1.01}[p.Series] // neighbours that lie farthest apart; 1.024 rounded
			require.LessOrEqual(t, math.Abs(math.Log(float64(p.Value)/reading)), math.Log(widest)/2+1e-9, "%v: %v", reading, p)
		}
	}
}
