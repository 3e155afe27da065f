package station

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"

	"benchwarden/daemon/warden"
	"benchwarden/instruments/quantity"
)

// BenchmarkCrossing prints what counts for the drive: from the moment at which a current crosses its limit until there is no
// current any more. Beside it stands what cannot be less at worst: the warden's period times the limit's persistence (a crossing
// may fall just behind a reading), the characters of reading and OFF on the wire, and the instrument's own time.
//
//	go test ./daemon/station -run '^$' -bench Crossing -benchtime 200x
func BenchmarkCrossing(b *testing.B) {
	b.Run("tcp", func(b *testing.B) { benchmarkCrossings(b, "tcp", 100*time.Millisecond, 0) })
	b.Run("9600_baud", func(b *testing.B) { benchmarkCrossings(b, "serial", 250*time.Millisecond, characterTime) })
}

// crossingBenches trip side by side: most of a crossing is waiting.
const crossingBenches = 4

func benchmarkCrossings(b *testing.B, wire string, period, character time.Duration) {
	instruments := startInstruments(b, crossingBenches, wire, ownTime)
	current := warden.NewLimit("bus.current", warden.High, quantity.Amperes(2).Value(), "benchmark")
	current.N, current.M = 2, 3 // as a current limit of a run has it
	limits := []warden.Limit{current, warden.NewLimit("bus.current", warden.Age, quantity.Seconds(3).Value(), "benchmark")}
	passages := make([][]passage, crossingBenches)
	slot := NewSlot()
	var stations []*Station
	for i := range crossingBenches {
		stations = append(stations, openFake(b, benchName("bench", i), instruments.Benches[i], slot, period))
	}
	b.ResetTimer()
	var group errgroup.Group
	for i, st := range stations {
		group.Go(func() error {
			for range (b.N + crossingBenches - 1) / crossingBenches {
				p, err := tripOnce(b.Context(), st, instruments, i, limits, period)
				if err != nil {
					return err
				}
				passages[i] = append(passages[i], p)
			}
			return nil
		})
	}
	require.NoError(b, group.Wait())
	b.StopTimer()
	var took, beyond []float64
	var limit time.Duration
	for _, p := range slices.Concat(passages...) {
		onTheWire := time.Duration(p.Characters+len("OUTP OFF\n")) * character
		limit = time.Duration(current.N)*period + onTheWire + ownTime
		gone := time.Duration(p.Gone - p.Crossed)
		took, beyond = append(took, gone.Seconds()*1000), append(beyond, (gone-limit).Seconds()*1000)
	}
	slices.Sort(took)
	b.ReportMetric(took[len(took)/2], "p50-ms")
	b.ReportMetric(took[len(took)-1], "longest-ms")
	b.ReportMetric(limit.Seconds()*1000, "limit-ms")
	b.ReportMetric(math.Max(0, slices.Max(beyond)), "ms-beyond-limit")
	b.ReportMetric(period.Seconds()*1000, "ms-period")
	b.ReportMetric((limit-ownTime-time.Duration(current.N)*period).Seconds()*1000, "ms-wire")
	b.ReportMetric(ownTime.Seconds()*1000, "ms-own")
	b.ReportMetric(0, "ns/op")
}
