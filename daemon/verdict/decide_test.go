package verdict

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
)

func limit(x float64) *float64 { return &x }

func TestDecide(t *testing.T) {
	for name, c := range map[string]struct {
		reading, u  float64
		low, high   *float64
		byDefault   Outcome
		whenGuarded Outcome
	}{
		"well inside":                       {15, 0.5, limit(13.5), limit(16.5), Pass, Pass},
		"inside, nearer than U":             {16.3, 0.5, limit(13.5), limit(16.5), Pass, Undecided},
		"inside by exactly U":               {16, 0.5, limit(13.5), limit(16.5), Pass, Pass},
		"on the limit":                      {16.5, 0.5, limit(13.5), limit(16.5), Pass, Undecided},
		"outside, nearer than U":            {16.8, 0.5, limit(13.5), limit(16.5), Undecided, Undecided},
		"outside by exactly U":              {17, 0.5, limit(13.5), limit(16.5), Undecided, Undecided},
		"outside by more than U":            {17.25, 0.5, limit(13.5), limit(16.5), Fail, Fail},
		"below, nearer than U":              {13.25, 0.5, limit(13.5), limit(16.5), Undecided, Undecided},
		"below by more than U":              {12.5, 0.5, limit(13.5), limit(16.5), Fail, Fail},
		"only a lower limit, far above":     {100, 0.5, limit(9), nil, Pass, Pass},
		"only a lower limit, below":         {8, 0.5, limit(9), nil, Fail, Fail},
		"only an upper limit, far below":    {-100, 0.5, nil, limit(18), Pass, Pass},
		"only an upper limit, above":        {19, 0.5, nil, limit(18), Fail, Fail},
		"a perfect instrument on the limit": {18, 0, nil, limit(18), Pass, Pass},
		"a perfect instrument beyond it":    {math.Nextafter(18, 19), 0, nil, limit(18), Fail, Fail},
		"U wider than the limits":           {15, 5, limit(13.5), limit(16.5), Pass, Undecided},
		"no limit":                          {15, 0.5, nil, nil, Undecided, Undecided},
		"crossed limits":                    {15, 0.5, limit(16), limit(14), Undecided, Undecided},
		"NaN":                               {math.NaN(), 0.5, limit(13.5), limit(16.5), Undecided, Undecided},
		"overrange with no upper limit":     {math.Inf(1), 0.5, limit(13.5), nil, Undecided, Undecided},
		"negative overrange":                {math.Inf(-1), 0.5, nil, limit(16.5), Undecided, Undecided},
		"unknown uncertainty":               {15, math.NaN(), limit(13.5), limit(16.5), Undecided, Undecided},
		"infinite uncertainty":              {15, math.Inf(1), limit(13.5), limit(16.5), Undecided, Undecided},
		"negative uncertainty":              {15, -1, limit(13.5), limit(16.5), Undecided, Undecided},
		"NaN limit":                         {15, 0.5, limit(math.NaN()), limit(16.5), Undecided, Undecided},
		"infinite limit":                    {15, 0.5, nil, limit(math.Inf(1)), Undecided, Undecided},
	} {
		t.Run(name, func(t *testing.T) {
			require.Equal(t, c.byDefault, Decide(c.reading, c.u, c.low, c.high, Default))
			require.Equal(t, c.whenGuarded, Decide(c.reading, c.u, c.low, c.high, Guarded))
		})
	}
}

// JCGM 106:2012, worked examples of conformance probability for one limit: z 1.40 gives 0.92, z 2.29 gives 0.99 (from memory;
// reproduced with the normal distribution). Both readings lie inside; the second by more than U = 2u, so that the
// guarded rule accepts it too, the first by less.
func TestRulesAgainstConformanceProbability(t *testing.T) {
	for _, c := range []struct {
		reading, u  float64
		low, high   *float64
		probability float64
		guarded     Outcome
	}{
		{-5.47, 0.05, nil, limit(-5.40), 0.919243, Undecided},
		{509.7, 8.6, limit(490), nil, 0.989010, Pass},
	} {
		z := 0.0
		if c.high != nil {
			z = (*c.high - c.reading) / c.u
		} else {
			z = (c.reading - *c.low) / c.u
		}
		require.InDelta(t, c.probability, distuv.UnitNormal.CDF(z), 5e-7)
		require.Equal(t, Pass, Decide(c.reading, 2*c.u, c.low, c.high, Default))
		require.Equal(t, c.guarded, Decide(c.reading, 2*c.u, c.low, c.high, Guarded))
	}
}

// ILAC-G8:09/2019: with the guard band w = U a wrongly accepted item is at most 2.5 % likely (2.275 % at k = 2), without one
// up to 50 %. The acceptance limits of Decide are found by search and the risk there is computed.
func TestRiskAtTheAcceptanceLimit(t *testing.T) {
	const high, u = 16.5, 0.2 // standard uncertainty
	acceptance := func(rule Rule) float64 {
		inside, outside := 10.0, 20.0
		for range 100 {
			middle := (inside + outside) / 2
			if Decide(middle, 2*u, nil, limit(high), rule) == Pass {
				inside = middle
			} else {
				outside = middle
			}
		}
		return inside
	}
	risk := func(rule Rule) float64 { return 1 - distuv.UnitNormal.CDF((high-acceptance(rule))/u) }
	require.InDelta(t, 0.5, risk(Default), 1e-9)
	require.InDelta(t, 0.02275, risk(Guarded), 1e-6)
}

// The rule by risk takes a half width as limits of error: its guard is z·U/√3, 0.9497 U for 5 % (z = 1.6449, JCGM 106).
func TestAFalseAcceptanceRuleKeepsItsGuard(t *testing.T) {
	rule, guard := FalseAcceptance(0.05), 0.94966*0.5
	for name, c := range map[string]struct {
		reading float64
		want    Outcome
	}{
		"inside by the guard":         {16.5 - guard - 1e-3, Pass},
		"inside, nearer than that":    {16.5 - guard + 1e-3, Undecided},
		"outside, nearer than that":   {16.5 + guard - 1e-3, Undecided},
		"outside by more than that":   {16.5 + guard + 1e-3, Fail},
		"below, by more than that":    {13.5 - guard - 1e-3, Fail},
		"a number that is none":       {math.NaN(), Undecided},
		"a number beyond any reading": {math.Inf(1), Undecided},
	} {
		require.Equal(t, c.want, Decide(c.reading, 0.5, limit(13.5), limit(16.5), rule), name)
	}
	require.Equal(t, Pass, Decide(16.5, 0, nil, limit(16.5), rule), "a count has no uncertainty")
	require.Equal(t, "false acceptance at most 5 %", rule.String())
	require.Equal(t, "guarded by its uncertainty", Guarded.String())
	require.Empty(t, Default.String(), "the usual rule is not told with every check")
}

// What is guarded is never more lenient, and more uncertainty never turns an undecided into a fail or a guarded pass.
func FuzzDecide(f *testing.F) {
	f.Add(15.0, 0.5, 13.5, 16.5)
	f.Add(math.NaN(), 0.5, 13.5, 16.5)
	f.Fuzz(func(t *testing.T, reading, u, low, high float64) {
		byDefault, guarded := Decide(reading, u, &low, &high, Default), Decide(reading, u, &low, &high, Guarded)
		wider := Decide(reading, 2*u, &low, &high, Guarded)
		if guarded == Pass {
			require.Equal(t, Pass, byDefault)
		}
		require.Equal(t, byDefault == Fail, guarded == Fail)
		if wider != Undecided {
			require.Equal(t, wider, guarded)
		}
		if byDefault == Pass {
			require.True(t, reading >= low && reading <= high)
		}
		if byDefault == Fail {
			require.True(t, reading < low || reading > high)
		}
	})
}
