package verdict

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

func TestAccuracyAsDataSheetsState(t *testing.T) {
	for text, want := range map[string]Accuracy{
		"0.05 % of reading + 10 mV":             {0.0005, 0.01, quantity.Volt},
		"±0.05 % of reading + 10 mV":            {0.0005, 0.01, quantity.Volt},
		"0.05% of reading+10mV":                 {0.0005, 0.01, quantity.Volt},
		"10 mV + 0.05 % of reading":             {0.0005, 0.01, quantity.Volt},
		"10 mV":                                 {0, 0.01, quantity.Volt},
		"2 % of reading":                        {0.02, 0, quantity.One},
		"3 % of 40 V":                           {0, 1.2, quantity.Volt},
		"1 % of reading + 0.5 % of 10 A + 1 mA": {0.01, 0.051, quantity.Ampere},
		"2 degC":                                {0, 2, quantity.DegC},
	} {
		got, err := ParseAccuracy(text)
		require.NoError(t, err, text)
		require.Equal(t, want.Unit, got.Unit, text)
		require.InDelta(t, float64(want.Relative), float64(got.Relative), 1e-15, text)
		require.InDelta(t, want.Absolute, got.Absolute, 1e-15, text)
	}
}

func TestAccuracyRefusedWithWhatToWrite(t *testing.T) {
	for text, want := range map[string]string{
		"":                        `accuracy "": a part is missing; write it like "0.05 % of reading + 10 mV"`,
		"10 mV +":                 "a part is missing",
		"0.05 %":                  `"0.05 %" of what? write "0.05 % of reading"`,
		"0.05 % of range + 10 mV": `"of range": write the range itself, for example "of 100 V"`,
		"0.05 % of full scale":    `write the range itself`,
		"0.05 % of redaing":       `"of redaing": write "of reading"`,
		"0.05 % of 0 V":           `is no range`,
		"0.05 % of 5 %":           `is no range`,
		"10 mV of reading":        `only a share in % can be of something`,
		"10":                      `"10" has no unit`,
		"0.05 of reading":         `"0.05" has no unit`,
		"-10 mV":                  `below zero; it is meant to both sides`,
		"10 mV + 5 mA":            `V and A are mixed`,
		"0 mV":                    `no instrument is without error`,
		"1e300 % of 1e300 V":      `too large`,
		"10 mv":                   `did you mean mV or MV?`,
	} {
		_, err := ParseAccuracy(text)
		require.ErrorContains(t, err, want, text)
		require.NotContains(t, err.Error(), "\n")
	}
}

func TestHalfWidthAtAReading(t *testing.T) {
	a, err := ParseAccuracy("0.05 % of reading + 10 mV")
	require.NoError(t, err)
	require.InDelta(t, 0.010, a.At(0), 1e-15)
	require.InDelta(t, 0.046, a.At(72), 1e-15)
	require.InDelta(t, 0.046, a.At(-72), 1e-15)
	require.True(t, math.IsNaN(a.At(math.NaN())))
}

// What is accepted has a finite half width that never shrinks with the reading.
func FuzzParseAccuracy(f *testing.F) {
	for _, seed := range []string{"0.05 % of reading + 10 mV", "3 % of 40 V", "10 mV", "± 2 % of reading", "+", " of ", "1 % of "} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		a, err := ParseAccuracy(text)
		if err != nil {
			require.Zero(t, a)
			return
		}
		require.GreaterOrEqual(t, a.Relative, quantity.Ratio(0))
		require.GreaterOrEqual(t, a.Absolute, 0.0)
		require.True(t, a.Relative > 0 || a.Absolute > 0)
		require.Equal(t, a.Absolute, a.At(0))
		require.LessOrEqual(t, a.At(1), a.At(-2))
	})
}
