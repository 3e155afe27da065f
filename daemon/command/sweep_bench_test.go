package command

import (
	"context"
	"testing"

	"github.com/spf13/pflag"
	"github.com/stretchr/testify/require"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/station"
)

// BenchmarkGateSweep runs whole gate sweeps of a two-leg drive on a simulated bench over real sockets. Beside the time of a
// sweep it prints what of it was spent waiting for the bench (wire, settling and acquisition, the physical limit of this
// bench), and how much longer the sweep takes than that: 1.10 at most. Prompts and countdowns are not counted.
func BenchmarkGateSweep(b *testing.B) {
	b.Chdir("../..")
	s, err := newSettings(pflag.NewFlagSet("benchmark", pflag.ContinueOnError)).read()
	require.NoError(b, err)
	s.Data, s.Countdown = b.TempDir(), 0
	sim, err := startSimulation(b.Context(), s, simulateOptions{family: "wren", name: "sweep", seed: 1, benchFile: b.TempDir() + "/bench.yaml"})
	require.NoError(b, err)
	defer sim.stop()
	file, err := bench.ReadFile(sim.benchFile)
	require.NoError(b, err)
	st, err := station.Open(b.Context(), stationConfig(s, file, event.NewHub(), station.NewSlot(), "test"))
	require.NoError(b, err)
	life, stop := context.WithCancel(b.Context())
	closed := make(chan error, 1)
	go func() { closed <- st.Run(life) }()

	var waited, computed float64
	for b.Loop() {
		running, err := st.Start(station.Order{Script: "gate_sweep", Family: "wren", Unit: "sweep", Operator: "benchmark"})
		require.NoError(b, err)
		ended := running.Wait()
		require.Equal(b, station.ExitPass, ended.Exit, ended.Reasons)
		waited += float64(ended.Bench)
		computed += float64(ended.Computing)
	}
	stop()
	require.NoError(b, <-closed)
	b.ReportMetric((waited+computed)/float64(b.N), "s/sweep")
	b.ReportMetric(waited/float64(b.N), "s-waiting-for-the-bench")
	b.ReportMetric((waited+computed)/waited, "of-that-limit")
}
