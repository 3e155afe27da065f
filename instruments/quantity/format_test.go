package quantity

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestPrintsWithAPrefixAndFiveDigits(t *testing.T) {
	for _, c := range []struct {
		value Value
		want  string
	}{
		{Value{72, Volt}, "72 V"},
		{Value{0, Volt}, "0 V"},
		{Value{math.Copysign(0, -1), Volt}, "0 V"},
		{Value{-8, Volt}, "-8 V"},
		{Value{0.35, Ampere}, "350 mA"},
		{Value{1.2e-6, Second}, "1.2 µs"},
		{Value{5.11, Ohm}, "5.11 Ω"},
		{Value{3900, Ohm}, "3.9 kΩ"},
		{Value{1e12, Ohm}, "1 TΩ"},
		{Value{18e3, PerSecond}, "18 kHz"},
		{Value{470e-6, Farad}, "470 µF"},
		{Value{2.2, Farad}, "2.2 F"},
		{Value{7200, Second}, "7200 s"}, // no kiloseconds at a bench
		{Value{0.03, Percent}, "3 %"},
		{Value{0.0005, Percent}, "0.05 %"},
		{Value{1.5, Percent}, "150 %"},
		{Value{1200, Rpm}, "1200 rpm"},
		{Value{45, DegC}, "45 degC"},
		{Value{0.25, One}, "0.25"},
		{Value{89.99951, Volt}, "90 V"},
		{Value{89.9885, Volt}, "89.989 V"},
		{Value{0.9999994, Volt}, "1 V"},
		{Value{999.996, Volt}, "1 kV"},
		{Value{999.994, Volt}, "999.99 V"},
		{Value{123456, Rpm}, "123460 rpm"},
		{Value{5e-16, Second}, "0.0005 ps"},
		{Value{1e-24, Second}, "1e-24 s"},
		{Value{1e-13, DegC}, "1e-13 degC"},
		{Value{1.25e30, Volt}, "1.25e30 V"},
		{Value{0.001, Unit{volt: 1, second: 1}}, "0.001 V·s"},
		{Value{math.NaN(), Volt}, "NaN V"},
		{Value{math.Inf(-1), Volt}, "-Inf V"},
	} {
		require.Equal(t, c.want, c.value.String())
	}
}

func TestDigitsFollowTheUncertainty(t *testing.T) {
	for _, c := range []struct {
		value       Value
		uncertainty float64
		want        string
	}{
		{Value{72.03456, Volt}, 0.05, "72.035 V"},
		{Value{72, Volt}, 0.05, "72.000 V"}, // known to the millivolt: the zeros say so
		{Value{72.03456, Volt}, 1.2, "72.0 V"},
		{Value{72.03456, Volt}, 0.0996, "72.03 V"}, // 0.0996 is 0.10
		{Value{72.03456, Volt}, 15, "72 V"},
		{Value{72.03456, Volt}, 500, "70 V"},
		{Value{0.0004, Volt}, 0.05, "0 mV"},
		{Value{0, Volt}, 0.05, "0 mV"},
		{Value{0, Volt}, 1.2, "0.0 V"},
		{Value{0.003, Volt}, 0.12, "0 mV"},
		{Value{-0.0123456, Ampere}, 0.0012, "-12.3 mA"},
		{Value{1.2345e-6, Second}, 2e-8, "1.234 µs"},
		{Value{0.50123, Percent}, 0.01, "50.1 %"},
		{Value{1234.4, Rpm}, 25, "1234 rpm"},
		{Value{72.03456789, Volt}, 0, "72.035 V"},
		{Value{72.03456789, Volt}, math.NaN(), "72.035 V"},
		{Value{72.03456789, Volt}, 1e-30, "72.03456789 V"},
		{Value{math.NaN(), Volt}, 1, "NaN V"},
	} {
		require.Equal(t, c.want, Digits(c.value, c.uncertainty), "%v ± %v", c.value, c.uncertainty)
	}
}

// Digits never says more than half a step of the uncertainty's second digit away from the value.
func FuzzDigits(f *testing.F) {
	f.Add(72.03456, 0.05, uint8(0))
	f.Add(-1e-7, 3.0, uint8(1))
	f.Add(1e300, 1e-300, uint8(2))
	f.Fuzz(func(t *testing.T, number, uncertainty float64, which uint8) {
		v := Value{number, names[int(which)%len(names)].unit}
		text := Digits(v, uncertainty)
		if !(uncertainty > 1e-290) || math.Abs(number) > 1e300 || math.IsNaN(number) || uncertainty > 1e300 {
			return
		}
		got, err := Parse(text)
		require.NoError(t, err, text)
		require.InDelta(t, number, got.Number, uncertainty*0.0503+math.Abs(number)*1e-14, text)
	})
}

func BenchmarkString(b *testing.B) {
	v := Value{0.0351234, Ampere}
	for b.Loop() {
		_ = v.String()
	}
}
