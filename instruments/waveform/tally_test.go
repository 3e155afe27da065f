package waveform

import (
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// observations are the data lines of a univariate set, as the file has them.
func observations(t *testing.T, file string) (values []float64) {
	t.Helper()
	text, err := os.ReadFile("testdata/" + file + ".dat")
	require.NoError(t, err)
	for _, word := range strings.Fields(strings.Join(strings.Split(string(text), "\n")[60:], "\n")) {
		v, err := strconv.ParseFloat(word, 64)
		require.NoError(t, err)
		values = append(values, v)
	}
	return values
}

// Source: NIST/ITL Statistical Reference Datasets, univariate summary statistics; certified values in the header of each file.
// The digits asked for are what double precision reaches by a sum about a value of the data; a one-pass sum of squares gives a
// negative variance for NumAcc4.
func TestMeansAndDeviationsReachTheCertifiedDigits(t *testing.T) {
	for _, c := range []struct {
		file            string
		n               int
		mean, deviation float64
		digits          float64
	}{
		{"Lew", 200, -177.435000000000, 277.332168044316, 12},
		{"Lottery", 218, 518.958715596330, 291.699727470969, 12},
		{"Mavro", 50, 2.00185600000000, 0.000429123454003053, 12},
		{"Michelso", 100, 299.852400000000, 0.0790105478190518, 12},
		{"NumAcc1", 3, 10000002, 1, 14},
		{"NumAcc2", 1001, 1.2, 0.1, 13},
		{"NumAcc3", 1001, 1000000.2, 0.1, 8},
		{"NumAcc4", 1001, 10000000.2, 0.1, 7},
		{"PiDigits", 5000, 4.53480000000000, 2.86733906028871, 12},
	} {
		var all tally
		for _, v := range observations(t, c.file) {
			all.add(v)
		}
		require.Equal(t, c.n, all.n, c.file)
		require.InEpsilon(t, c.mean, all.mean(), 1e-13, c.file)
		reached := 16.0
		if off := math.Abs(all.deviation()/c.deviation - 1); off > 0 {
			reached = -math.Log10(off)
		}
		t.Logf("%s: %.1f digits of the deviation", c.file, reached)
		require.GreaterOrEqual(t, reached, c.digits, c.file)
	}
}
