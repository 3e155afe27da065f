package scpi

import (
	"math"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestParseNumberTakesEveryNumberFormat(t *testing.T) {
	// NR1, NR2 and NR3 with the values of a supply manual's chapter "Data Type"
	// (its clause 1.6).
	tests := []struct {
		answer string
		want   float64
	}{
		{"273", 273},
		{"0.273", 0.273},
		{"2.73E+2", 273},
		{"+2.73e2", 273},
		{"-.5", -0.5},
		{"5.", 5},
		{" 7.2E+01\r", 72},
		{"9.8E37", 9.8e37},
		{"1E-400", 0},
	}
	for _, tt := range tests {
		t.Run(tt.answer, func(t *testing.T) {
			got, err := ParseNumber(tt.answer)
			require.NoError(t, err)
			require.Equal(t, tt.want, got)
		})
	}
}

func TestParseNumberNeverTakesAStandInForAReading(t *testing.T) {
	// 9.9E37 and 9.91E37: SCPI-99 volume 1, clause 7.2.1, as quoted by signal
	// generator, receiver and supply manuals. That instruments differ in which of
	// the two they send for an overload: a supply maker's note.
	tests := []struct {
		answer string
		want   error
	}{
		{"9.91E37", ErrNoReading},
		{"9.91E+37", ErrNoReading},
		{"+9.910000E+37", ErrNoReading},
		{"9.9E37", ErrOverrange},
		{"9.9E+37", ErrOverrange},
		{"-9.9E37", ErrOverrange},
		{"9.92E37", ErrOverrange},
		{"-9.91E37", ErrOverrange},
		{"1E38", ErrOverrange},
		{"1E400", ErrOverrange},
		{"-1E400", ErrOverrange},
	}
	for _, tt := range tests {
		t.Run(tt.answer, func(t *testing.T) {
			_, err := ParseNumber(tt.answer)
			require.ErrorIs(t, err, tt.want)
			require.ErrorContains(t, err, strconv.Quote(tt.answer))
		})
	}
}

func TestParseNumberKnowsStandInsOfSinglePrecision(t *testing.T) {
	// The nearest 32-bit numbers, computed from IEEE 754: 9.9E37 is 7E94F56A,
	// -9.9E37 is FE94F56A, 9.91E37 is 7E951BEE.
	tests := []struct {
		bits uint32
		want error
	}{
		{0x7E94F56A, ErrOverrange},
		{0xFE94F56A, ErrOverrange},
		{0x7E951BEE, ErrNoReading},
	}
	for _, tt := range tests {
		for _, digits := range []int{6, 7, 8, 9, 12} {
			answer := strconv.FormatFloat(float64(math.Float32frombits(tt.bits)), 'E', digits, 64)
			_, err := ParseNumber(answer)
			require.ErrorIs(t, err, tt.want, answer)
		}
	}
}

func TestParseNumberRefusesOtherTextAndQuotesIt(t *testing.T) {
	for _, answer := range []string{"", "  ", "abc", "1,2", "1;2", "12.5V", "0x10", "#H10", "1_000", "1 2", "+ 5", "Inf", "NaN",
		"infinity", ".", "+", "E5", "1E", "1E+", "1.2.3", "--1", "\"1\"", "1\x002", "OVERLOAD", "12,5", "µ"} {
		t.Run(answer, func(t *testing.T) {
			_, err := ParseNumber(answer)
			require.Error(t, err)
			require.NotErrorIs(t, err, ErrNoReading)
			require.NotErrorIs(t, err, ErrOverrange)
			if len(answer) > 2 {
				require.ErrorContains(t, err, strconv.Quote(answer))
			}
		})
	}
}

func TestParseNumberCutsALongAnswerShortInItsError(t *testing.T) {
	_, err := ParseNumber(string(make([]byte, 1000)) + "x")
	require.ErrorContains(t, err, "and 941 bytes more")
	require.Less(t, len(err.Error()), 400)
}

func TestFormatNumberIsNR3(t *testing.T) {
	tests := []struct {
		x    float64
		want string
	}{
		{0, "0.0E+00"},
		{5, "5.0E+00"},
		{-0.25, "-2.5E-01"},
		{72.125, "7.2125E+01"},
		// The stand-ins: SCPI-99 volume 1, clause 7.2.1.
		{math.NaN(), "9.91E+37"},
		{math.Inf(1), "9.9E+37"},
		{math.Inf(-1), "-9.9E+37"},
		{1e38, "9.9E+37"},
	}
	for _, tt := range tests {
		require.Equal(t, tt.want, FormatNumber(tt.x))
	}
}
