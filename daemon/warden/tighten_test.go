package warden

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
)

// A script's tightenings and restores in any order against the plainest model: the limit in force is the least of the
// limit and all that were tightened and not restored, and a trip comes above it and nowhere else.
func TestTheLimitInForceIsTheTightestInEveryOrder(t *testing.T) {
	for seed := range uint64(200) {
		inBubble(t, func(s *stand) {
			random := rand.New(rand.NewPCG(seed, 0))
			const family = 100.0
			s.arm(NewLimit("bus.voltage", High, volts(family), origin))
			standing := map[int]float64{}
			restores := map[int]func(){}
			inForce := func() float64 {
				least := family
				for _, v := range standing {
					least = min(least, v)
				}
				return least
			}
			for step := range 60 {
				if random.IntN(2) == 0 {
					v := random.Float64() * 120
					restore, err := s.Tighten("bus.voltage", volts(v))
					require.Equal(t, v <= inForce(), err == nil, "seed %d, step %d: tighten to %v while %v is in force", seed, step, v, inForce())
					if err == nil {
						standing[step], restores[step] = v, restore
					}
				} else if of := random.IntN(step + 1); restores[of] != nil {
					restores[of]() // perhaps for the second time
					delete(standing, of)
				}
				limit, _ := s.limits[0].effective()
				require.Equal(t, volts(inForce()), limit, "seed %d, step %d", seed, step)
				told := s.bodies()
				require.Equal(t, volts(inForce()), told[len(told)-1].(event.Limits).Limits[0].Value, "what is told is what is in force")
			}
			s.reads("bus.voltage", volts(inForce()))
			require.Nil(t, s.Tripped(), "seed %d: at the limit", seed)
			s.reads("bus.voltage", volts(inForce()*1.001+1e-9))
			require.NotNil(t, s.Tripped(), "seed %d: just above it", seed)
		})
	}
}
