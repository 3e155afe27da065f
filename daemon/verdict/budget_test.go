package verdict

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// JCGM 100:2008 (GUM): a rectangle of ±a has u = a/√3 = 0.577350 a (4.3.7), a step d has u = d/√12 = 0.288675 d, "0.29 d"
// (F.2.2.1).
func TestBuildingBlocks(t *testing.T) {
	var limits, steps Budget
	limits.Limits("", 1)
	steps.Resolution("", 1)
	require.InDelta(t, 0.577350, limits.Combined(), 5e-7)
	require.InDelta(t, 0.288675, steps.Combined(), 5e-7)
	u, k := limits.Expanded()
	require.Equal(t, 1.0, u, "limits that stand alone are their own half width")
	require.InDelta(t, 1.732051, k, 5e-7)
	limits.Resolution("", 0)
	u, k = limits.Expanded()
	require.InDelta(t, 0.95, u, 1e-4, "a rectangle that other contributions stand beside")
	require.InDelta(t, 1.645, k, 1e-3)
}

// Drawn sums of limits of error, steps and what scatters lie within the expanded uncertainty in 95 % of cases (95.45 % with the
// factor 2), whatever outweighs the rest.
func TestExpandedHoldsNinetyFivePercent(t *testing.T) {
	random := rand.New(rand.NewPCG(19, 95))
	for range 40 {
		var b Budget
		size := func() float64 { return math.Pow(10, -1.5+2*random.Float64()) }
		halves, sigma := []float64{size(), size()}, size()
		b.Limits("", halves[0])
		b.Resolution("", 2*halves[1])
		b.Standard("", sigma)
		u, _ := b.Expanded()
		const draws = 20_000
		held := 0
		for range draws {
			x := sigma * random.NormFloat64()
			for _, h := range halves {
				x += h * (2*random.Float64() - 1)
			}
			if math.Abs(x) <= u {
				held++
			}
		}
		// 0.95 ± four standard deviations of a count of 20,000, and what the factors round up.
		require.InDelta(t, 0.9515, float64(held)/draws, 0.0085, "sigma %v, halves %v", sigma, halves)
	}
}

func TestAPartMakesTheWholeComeToWhatIsStated(t *testing.T) {
	var b Budget
	b.Limits("", 1)
	require.False(t, b.UpTo("", 0.9))
	require.Len(t, b.Parts, 1)
	require.True(t, b.UpTo("what a script adds", 1.5))
	u, _ := b.Expanded()
	require.InDelta(t, 1.5, u, 1e-9)
	require.Equal(t, "what a script adds", b.Parts[1].Name)
}

// JCGM 100:2008 (GUM), example H.1, calibration of an end gauge, in nanometres. Published: u(d) 9.7 with 25.6 degrees of
// freedom, combined 32, 16.7 effective degrees of freedom, truncated to 16. From the published, rounded inputs, computed with
// an independent numerical library: 9.682, 25.45; 31.664, 16.75; t95(16) = 2.1199 and U95 = 67.12.
func TestEndGaugeOfTheGUM(t *testing.T) {
	var difference Budget
	difference.Estimated("", 5.8, 24) // s = 13 nm, mean of 5 readings
	difference.Estimated("", 3.9, 5)  // 10 nm at t95(5) = 2.571
	difference.Estimated("", 6.7, 8)  // 20 nm at k = 3
	require.InDelta(t, 9.7, difference.Combined(), 0.05)
	require.InDelta(t, 9.682, difference.Combined(), 5e-4)
	require.InDelta(t, 25.45, difference.Degrees(), 0.01)

	var gauge Budget
	gauge.Estimated("", 25, 18)
	gauge.Estimated("", 9.682, 25.45)
	gauge.Estimated("", 2.8868, 50)
	gauge.Estimated("", 16.5990, 2)
	require.InDelta(t, 31.664, gauge.Combined(), 5e-4)
	require.InDelta(t, 1002.60, math.Pow(gauge.Combined(), 2), 0.01)
	require.InDelta(t, 16.75, gauge.Degrees(), 0.01)
	u, k := gauge.Expanded()
	require.InDelta(t, 2.1199, k, 5e-5)
	require.InDelta(t, 67.12, u, 0.01)
}

// Student's t for 95 %, both sides: published tables, to their three digits.
func TestFewReadingsWidenTheCoverage(t *testing.T) {
	for degrees, want := range map[float64]float64{1: 12.706, 2: 4.303, 3: 3.182, 4: 2.776, 5: 2.571, 8: 2.306, 10: 2.228, 16: 2.120, 20: 2.086} {
		var b Budget
		b.Estimated("", 1, degrees)
		u, k := b.Expanded()
		require.InDelta(t, want, k, 5e-4, "%v degrees of freedom", degrees)
		require.Equal(t, k, u)
	}
	var b Budget
	b.Estimated("", 1, 50) // t is 2.009: 2 will do
	_, k := b.Expanded()
	require.Equal(t, 2.0, k)
}

func TestAnEmptyBudgetIsZero(t *testing.T) {
	var b Budget
	u, k := b.Expanded()
	require.Zero(t, u)
	require.Equal(t, 2.0, k)
	require.True(t, math.IsInf(b.Degrees(), 1))
}

func TestWhatIsNoNumberStaysNone(t *testing.T) {
	var b Budget
	b.Standard("", 1)
	b.Standard("", math.NaN())
	u, _ := b.Expanded()
	require.True(t, math.IsNaN(u))
	require.Equal(t, Undecided, Decide(5, u, nil, limit(10), Default))
}
