package quantity

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestReadsWhatTechniciansWrite(t *testing.T) {
	for text, want := range map[string]Value{
		"72 V":        {72, Volt},
		"72V":         {72, Volt},
		" 72\tV ":     {72, Volt},
		"+72 V":       {72, Volt},
		"-8 V":        {-8, Volt},
		".5 V":        {0.5, Volt},
		"5. V":        {5, Volt},
		"1e3 V":       {1000, Volt},
		"1.5E-2 V":    {0.015, Volt},
		"350 mA":      {0.35, Ampere},
		"1.2 us":      {1.2e-6, Second},
		"1.2 µs":      {1.2e-6, Second}, // U+00B5
		"1.2 \u03bcs": {1.2e-6, Second}, // Greek letter
		"40 ns":       {40e-9, Second},
		"300 ms":      {0.3, Second},
		"2 min":       {120, Second},
		"1.5 h":       {5400, Second},
		"5.11 ohm":    {5.11, Ohm},
		"5.11 Ω":      {5.11, Ohm}, // U+03A9
		"5.11 \u2126": {5.11, Ohm}, // ohm sign
		"3.9 kohm":    {3900, Ohm},
		"2 MΩ":        {2e6, Ohm},
		"2 mΩ":        {2e-3, Ohm},
		"470 uF":      {470e-6, Farad},
		"100 pF":      {100e-12, Farad},
		"1.2 mH":      {1.2e-3, Henry},
		"18 kHz":      {18e3, PerSecond},
		"250 MHz":     {250e6, PerSecond},
		"6 W":         {6, Watt},
		"51 J":        {51, Joule},
		"90 nC":       {90e-9, Coulomb},
		"3 %":         {0.03, Percent},
		"3%":          {0.03, Percent},
		"0.05 %":      {0.0005, Percent},
		"1200 rpm":    {1200, Rpm},
		"45 degC":     {45, DegC},
		"45 °C":       {45, DegC},
		"1 mV":        {1e-3, Volt},
		"1 MV":        {1e6, Volt},
	} {
		got, err := Parse(text)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
}

func TestRefusesInOneLineThatHelps(t *testing.T) {
	for text, want := range map[string]string{
		"":                         `"" is no quantity: write a number with its unit, for example "72 V"`,
		"V":                        `"V" is no quantity: write a number with its unit, for example "72 V"`,
		"72":                       `"72" has no unit: write one, for example "72 V"`,
		"NaN V":                    `"NaN V" is no quantity`,
		"Inf V":                    `"Inf V" is no quantity`,
		"-infinity":                `"-infinity" is no quantity`,
		"1,5 V":                    `with a decimal point`,
		"1 500 V":                  `without spaces or commas`,
		"1e999 V":                  `"1e999 V": the number is out of range`,
		"1e308 kV":                 `"1e308 kV": the number is out of range`,
		"1e99999999999999999999 V": `the number is out of range`,
		"72 v":                     `"72 v": unit "v" is not known, did you mean V?`,
		"72 volts":                 `did you mean V?`,
		"72 Vdc":                   `did you mean V?`,
		"5 ohms":                   `did you mean ohm?`,
		"5 KOhm":                   `did you mean kohm?`,
		"5 R":                      `did you mean ohm?`,
		"2 sec":                    `did you mean s?`,
		"2 usec":                   `did you mean us?`,
		"18 KHZ":                   `did you mean kHz?`,
		"5 mv":                     `did you mean mV or MV? m is milli, M is mega`,
		"5 mhz":                    `did you mean mHz or MHz? m is milli, M is mega`,
		"470 UF":                   `did you mean uF?`,
		"470 MF":                   `nothing here has megafarads (M): write mF for milli, uF for micro`,
		"20 Ms":                    `nothing here has megaseconds (M): write ms for milli, us for micro`,
		"20 ks":                    `ks is not in use here; write the number in s`,
		"2 mrpm":                   `rpm takes no prefix`,
		"2 k%":                     `% takes no prefix`,
		"2 mdegC":                  `degC takes no prefix`,
		"3 percent":                `did you mean %?`,
		"72 furlong":               `unit "furlong" is not known; there are V, A,`,
		"0x10 V":                   `unit "x10 V" is not known`,
		"1 mmV":                    `unit "mmV" is not known`,
	} {
		_, err := Parse(text)
		require.ErrorContains(t, err, want, text)
		require.NotContains(t, err.Error(), "\n", text)
	}
}

func TestRefusesTheWrongUnit(t *testing.T) {
	for _, c := range []struct {
		text string
		want Unit
		says string
	}{
		{"350 mA", Volt, `wants volts, got "350 mA"`},
		{"3 V", Percent, `wants percent, got "3 V"`},
		{"45 C", DegC, `wants degrees Celsius, got "45 C": C is coulombs, write degC`},
		{"72", Volt, `"72" has no unit: write one, for example "72 V"`},
		{"72", Ampere, `"72" has no unit: write one, for example "72 A"`},
		{"3,9", Ohm, `for example "1500.5 ohm"`},
		{"0.03", Percent, `"0.03" has no unit: write one, for example "3 %"`},
		{"", Ohm, `for example "72 ohm"`},
	} {
		_, err := ParseAs(c.text, c.want)
		require.ErrorContains(t, err, c.says)
	}
	v, err := ParseAs("350 mA", Ampere)
	require.NoError(t, err)
	require.Equal(t, Value{0.35, Ampere}, v)
}

// What is read can be written, and what was written exactly is read back exactly.
func FuzzParse(f *testing.F) {
	for _, seed := range []string{"72 V", "350 mA", "1.2 µs", "5.11 ohm", "-8 V", "3 %", "2 min", "1e-30 F", "9.9e37 V", "0 V", "-0 V", "1,5 V", "45 °C", "1e", "mV"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		v, err := Parse(text)
		if err != nil {
			require.Zero(t, v)
			return
		}
		require.False(t, math.IsNaN(v.Number) || math.IsInf(v.Number, 0), text)
		exactly, err := v.MarshalText()
		require.NoError(t, err)
		again, err := Parse(string(exactly))
		require.NoError(t, err, "%q printed as %q", text, exactly)
		require.Equal(t, v, again, "%q printed as %q", text, exactly)
	})
}

// Printing keeps five digits and never changes the unit.
func FuzzPrintedIsRead(f *testing.F) {
	f.Add(72.0, uint8(0))
	f.Add(999.9999, uint8(1))
	f.Add(-1e-13, uint8(9))
	f.Add(5e-324, uint8(6))
	f.Add(math.MaxFloat64, uint8(12))
	f.Fuzz(func(t *testing.T, number float64, which uint8) {
		if math.IsNaN(number) || math.IsInf(number, 0) {
			return
		}
		v := Value{number, names[int(which)%len(names)].unit}
		got, err := Parse(v.String())
		if math.Abs(number) > 1.7976e308 && err != nil {
			return // rounds up to more than a float64 holds
		}
		require.NoError(t, err)
		require.Equal(t, v.Unit, got.Unit)
		require.InDelta(t, number, got.Number, math.Abs(number)*0.5001e-4+5e-324, v.String())
	})
}
