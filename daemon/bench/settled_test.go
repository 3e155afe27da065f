package bench_test

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/bench/benchtest"
	"benchwarden/instruments/quantity"
)

func TestWhatIsMeasuredAfterASetpointBelongsToIt(t *testing.T) {
	on := func(t *testing.T, follows time.Duration) *fixture {
		f := open(t, t.TempDir(), nil)
		require.NoError(t, f.Begin(board))
		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Reference, Voltage: 1}))
		f.Supply(bench.Reference, func(s *benchtest.Supply) { s.Follows = follows })
		return f
	}
	volts := func(f *fixture) (v float64) {
		f.Supply(bench.Reference, func(s *benchtest.Supply) { v = s.Voltage })
		return v
	}
	t.Run("a source that answers before it has moved is waited for", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			f := on(t, 150*time.Millisecond)
			for _, v := range []float64{5, -3, 0} {
				require.NoError(t, f.SetVoltage(t.Context(), bench.Reference, quantity.Volts(v)))
				require.Equal(t, v, volts(f))
			}
		})
	})
	t.Run("one that follows at once costs one question", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			f := on(t, 0)
			before, began := len(f.Sent()), time.Now()
			require.NoError(t, f.SetVoltage(t.Context(), bench.Reference, 5))
			require.Len(t, f.Sent(), before+2)
			require.Equal(t, 2*f.Answer, time.Since(began))
		})
	})
	t.Run("one that never gets there is told, with what it gives", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			f := on(t, time.Hour)
			began := time.Now()
			require.ErrorContains(t, f.SetVoltage(t.Context(), bench.Reference, 5), "reference: set to 5 V, but it gives 1 V after 500 ms: look for what loads it")
			require.Less(t, time.Since(began), time.Second)
		})
	})
	t.Run("a make-safe does not wait for it", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			f := on(t, time.Hour)
			done := make(chan error, 1)
			go func() { done <- f.SetVoltage(t.Context(), bench.Reference, 5) }()
			pass(50 * time.Millisecond)
			f.MakeSafe(t.Context(), "trip")
			require.ErrorIs(t, <-done, bench.ErrMadeSafe)
		})
	})
}
