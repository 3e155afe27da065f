package verdict

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestOddOneOut(t *testing.T) {
	for name, c := range map[string]struct {
		values  []float64
		floor   float64
		who     []int
		unclear string
	}{
		"two alike":                         {[]float64{15, 15.05}, 0.2, nil, ""},
		"two that differ tell nothing":      {[]float64{15, 12}, 0.2, nil, "nobody knows"},
		"one of three":                      {[]float64{15, 15.01, 12}, 0.2, []int{2}, ""},
		"three that all differ":             {[]float64{15, 14, 12}, 0.2, nil, "half of them"},
		"of three, scatter explains it":     {[]float64{15, 15.15, 14.5}, 0.2, nil, ""},
		"one of four":                       {[]float64{15, 15.02, 14.99, 13}, 0.2, []int{3}, ""},
		"two against two":                   {[]float64{15, 15, 12, 12}, 0.2, nil, "half of them"},
		"one of six":                        {[]float64{15, 15.1, 14.9, 15.05, 17, 14.95}, 0.2, []int{4}, ""},
		"two of six on either side":         {[]float64{15, 15.01, 14.99, 15, 18, 12}, 0.2, []int{4, 5}, ""},
		"three of six":                      {[]float64{15, 15, 15, 12, 12, 12}, 0.2, nil, "half of them"},
		"equal to the digit, one below":     {[]float64{5, 5, 5, 4}, 0.2, []int{3}, ""},
		"below what matters":                {[]float64{5, 5, 5, 4.9}, 0.2, nil, ""},
		"one value has no sibling":          {[]float64{5}, 0.2, nil, "two or more"},
		"a number that is none":             {[]float64{5, math.NaN(), 5}, 0.2, nil, "two or more"},
		"sixteen with one that is far away": {[]float64{1, 1.01, 0.99, 1, 1.02, 0.98, 1, 1.01, 1, 1, 0.99, 1.01, 1, 1, 1, 2}, 0.1, []int{15}, ""},
	} {
		o := OddOneOut(c.values, make([]float64, len(c.values)), c.floor)
		require.Equal(t, c.who, o.Who, name)
		if c.unclear == "" {
			require.Empty(t, o.Unclear, name)
		} else {
			require.Contains(t, o.Unclear, c.unclear, name)
		}
	}
	coarse := OddOneOut([]float64{15, 15, 15, 13}, []float64{2, 2, 2, 2}, 0.2)
	require.Empty(t, coarse.Who, "their own uncertainties explain it")
}

// Sound siblings with normal scatter, twice what the floor lets pass, are suspected about once in 100 sets.
func TestSoundSiblingsAreSeldomSuspected(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 8))
	for n := 3; n <= 16; n++ {
		const sets = 20_000
		suspected := 0
		values, u := make([]float64, n), make([]float64, n)
		for range sets {
			for i := range values {
				values[i] = 15 + 0.1*random.NormFloat64()
			}
			if len(OddOneOut(values, u, 0.05).Who) > 0 {
				suspected++
			}
		}
		require.LessOrEqual(t, float64(suspected)/sets, 0.0125, "%d siblings", n)
	}
}

// A sibling that lies 30 sigmas off is found among six and more in 9 of 10 sets; of four and five, whose
// scatter is less sure, in 7 of 10.
func TestAFarSiblingIsFound(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 10))
	for n := 4; n <= 12; n++ {
		const sets = 2000
		found := 0
		values, u := make([]float64, n), make([]float64, n)
		for range sets {
			for i := range values {
				values[i] = random.NormFloat64()
			}
			values[n-1] += 30
			if o := OddOneOut(values, u, 3); len(o.Who) == 1 && o.Who[0] == n-1 {
				found++
			}
		}
		least := 0.9
		if n < 6 {
			least = 0.7
		}
		t.Logf("%d siblings: %.3f", n, float64(found)/sets)
		require.GreaterOrEqual(t, float64(found)/sets, least, "%d siblings", n)
	}
}
