package waveform

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// Extremes and searches that ask many codes at a time find what a plain loop finds, also at the ends of the range of codes.
func TestManyCodesAtATimeFindWhatOneAtATimeFinds(t *testing.T) {
	random := rand.New(rand.NewPCG(8, 16))
	for range 3000 {
		n := 1 + random.IntN(200)
		centre, spread := random.IntN(1<<16), 1+random.IntN(1<<uint(random.IntN(16)))
		eight, sixteen := make(octets, n), make(words, n)
		for i := range n {
			v := min(65535, max(0, centre+random.IntN(spread)-spread/2))
			sixteen[i], eight[i] = int16(v-32768), byte(v/256)
			if random.IntN(50) == 0 {
				sixteen[i] = []int16{math.MinInt16, math.MaxInt16, 0, -1}[random.IntN(4)]
				eight[i] = []byte{0, 255, 127, 128}[random.IntN(4)]
			}
		}
		low, high := sixteen.extent(0, n)
		a, b := sixteen.widen(int32(sixteen[0]), int32(sixteen[0]))
		require.Equal(t, []float64{low, high}, []float64{float64(a), float64(b)})
		low, high = eight.extent(0, n)
		c, d := eight.widen(eight[0], eight[0])
		require.Equal(t, []float64{low, high}, []float64{float64(c), float64(d)})

		from := random.IntN(n)
		for _, s := range []samples{sixteen, eight} {
			level := s.at(random.IntN(n)) + float64(random.IntN(3)) - 1
			up, down := from, from
			for up < n && s.at(up) < level {
				up++
			}
			for down < n && s.at(down) > level {
				down++
			}
			require.Equal(t, up, s.nextAtLeast(from, level))
			require.Equal(t, down, s.nextAtMost(from, level))
		}
	}
}
