package verdict

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Source of inputs and two-digit results: JCGM 106:2012, one-sided examples, known from memory; further digits computed
// from the normal distribution.
func TestConformanceGivesThePublishedExamples(t *testing.T) {
	high, low := -5.40, 490.0
	require.InDelta(t, 0.919243, Conformance(-5.47, 0.05, nil, &high), 1e-6)
	require.InDelta(t, 0.989010, Conformance(509.7, 8.6, &low, nil), 1e-6)
}

// Source: process capability examples of an open uncertainty library: risk of a normal process beyond 9 to 11. Cpk follows from them.
func TestNonconformanceOfAProcessIsThePublishedOne(t *testing.T) {
	low, high := 9.0, 11.0
	for middle, risk := range map[float64]float64{10: 0.01242, 10.5: 0.10574, 12: 0.99379} {
		require.InDelta(t, risk, 1-Conformance(middle, 0.4, &low, &high), 5e-6, "a process about %v", middle)
	}
}

// Source: ILAC-G8:09/2019, table 1 (known from memory, digits computed): risk at the acceptance limit for a guard band of r·U,
// 1 - Φ(2r): 4.846 % at 0.83 (ISO 14253-1), 0.135 % at 1.5, 1e-9 at 3.
func TestRiskBehindAGuardBandIsThePublishedOne(t *testing.T) {
	high, u := 16.5, 0.2
	for r, risk := range map[float64]float64{0: 0.5, 0.83: 0.04846, 1: 0.02275, 1.5: 0.00135, 3: 1e-9} {
		require.InEpsilon(t, risk, 1-Conformance(high-r*2*u, u, nil, &high), 0.015, "guard band %v U", r)
	}
}

func TestDecideByRiskPutsItsGuardWhereTheRiskSays(t *testing.T) {
	low, high, nan := 9.0, 11.0, math.NaN()
	guard := 1.6448536 * 0.1 // 5 % of a normal distribution lie beyond 1.645 u on one side (ISO 14253-1)
	for name, c := range map[string]struct {
		reading, u, risk float64
		low, high        *float64
		want             Outcome
	}{
		"just inside the guard passes":    {11 - guard - 1e-4, 0.1, 0.05, &low, &high, Pass},
		"within the guard cannot tell":    {11 - guard + 1e-4, 0.1, 0.05, &low, &high, Undecided},
		"on the limit cannot tell":        {9, 0.1, 0.05, &low, &high, Undecided},
		"just beyond the guard fails":     {9 - guard - 1e-4, 0.1, 0.05, &low, &high, Fail},
		"too uncertain never passes":      {10, 1, 0.05, &low, &high, Undecided},
		"far too uncertain fails nothing": {10, 100, 0.05, &low, &high, Undecided},
		"no limit decides nothing":        {10, 0.1, 0.05, nil, nil, Undecided},
		"no number decides nothing":       {nan, 0.1, 0.05, &low, &high, Undecided},
		"no uncertainty decides nothing":  {10, 0, 0.05, &low, &high, Undecided},
		"crossed limits decide nothing":   {10, 0.1, 0.05, &high, &low, Undecided},
		"a limit that is none":            {10, 0.1, 0.05, &nan, &high, Undecided},
		"a risk above a half is no rule":  {10, 0.1, 0.6, &low, &high, Undecided},
	} {
		require.Equal(t, c.want, DecideByRisk(c.reading, c.u, c.low, c.high, c.risk), name)
	}
}
