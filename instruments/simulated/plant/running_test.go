package plant

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestGoodDriveShowsItsPatterns(t *testing.T) {
	t.Run("complementary: one leg alternates, one low side stands on", func(t *testing.T) {
		b := running(t, heron())
		dead := b.unit.deadTime * 8e3
		for channel, want := range map[string]float64{"A.high": 0.3 - dead, "A.low": 0.7 - dead, "B.high": 0, "B.low": 0, "C.high": 0, "C.low": 1} {
			require.InDelta(t, want, b.duty(channel), 0.003, channel)
		}
	})
	t.Run("high side chopping with a loop that saturates", func(t *testing.T) {
		b := running(t, plover())
		for channel, want := range map[string]float64{"A.high": 0.95 - b.unit.deadTime*20e3, "A.low": 0, "B.high": 0, "B.low": 0, "C.high": 0, "C.low": 1} {
			require.InDelta(t, want, b.duty(channel), 0.003, channel)
		}
	})
	t.Run("locked anti-phase: diagonals alternate", func(t *testing.T) {
		b := running(t, wren())
		dead := b.unit.deadTime * 18e3
		for channel, want := range map[string]float64{"A.high": 0.7 - dead, "A.low": 0.3 - dead, "B.high": 0.3 - dead, "B.low": 0.7 - dead} {
			require.InDelta(t, want, b.duty(channel), 0.003, channel)
		}
	})
}
