package script

import (
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// everyRoute is the fewest moves of all orders.
func everyRoute(all []leads) int {
	best := 1 << 30
	var try func(order []int)
	try = func(order []int) {
		if len(order) == len(all) {
			best = min(best, length(all, order))
			return
		}
		for i := range all {
			if !slices.Contains(order, i) {
				try(append(slices.Clone(order), i))
			}
		}
	}
	try(nil)
	return best
}

func someLeads(r *rand.Rand, n int) []leads {
	points := []string{"bus+", "bus-", "phase:A", "phase:B", "gate:A.high", "gate:A.low"}
	var all []leads
	for range n {
		all = append(all, leads{points[r.IntN(len(points))], points[r.IntN(len(points))]})
	}
	return all
}

func TestLeadsAreMovedAsLittleAsInTheBestOfAllOrders(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 300 {
		all := someLeads(r, 1+r.IntN(7))
		want := everyRoute(all)
		exact := fewestMoves(all)
		require.Equal(t, want, length(all, exact), "%v", all)
		requireAll(t, exact, len(all))
		near := improved(all, nearestFirst(all))
		requireAll(t, near, len(all))
		require.LessOrEqual(t, length(all, near), want+1, "what is used for long lists is at most one move worse here: %v", all)
	}
}

func TestLongListsAreNeverOrderedWorseThanTheyCame(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 10 {
		all := someLeads(r, 12+r.IntN(40))
		order := fewestMoves(all)
		requireAll(t, order, len(all))
		asGiven := make([]int, len(all))
		for i := range asGiven {
			asGiven[i] = i
		}
		require.LessOrEqual(t, length(all, order), length(all, asGiven))
	}
	require.Empty(t, fewestMoves(nil))
}

func requireAll(t *testing.T, order []int, n int) {
	t.Helper()
	sorted := slices.Sorted(slices.Values(order))
	require.Len(t, sorted, n)
	for i, at := range sorted {
		require.Equal(t, i, at, "each reading once")
	}
}
