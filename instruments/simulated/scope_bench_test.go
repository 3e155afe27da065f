package simulated

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// How long a capture of the gates of a leg takes beyond the record's own time, and its transfer, from INIT to the last byte.
func BenchmarkCapture(b *testing.B) {
	for _, points := range []int{10_000, 100_000, 1_000_000} {
		b.Run(fmt.Sprintf("two channels of %d points", points), func(b *testing.B) {
			bench, err := Start(b.Context(), Options{Params: servo()})
			require.NoError(b, err)
			defer bench.Close()
			require.NoError(b, bench.plant.Place("P1", "gate:A.high"))
			require.NoError(b, bench.plant.Place("P2", "gate:A.low"))
			for name := range bench.params.Permissives {
				bench.plant.Contact(name).Set(true)
			}
			control := bench.plant.ControlSupply()
			control.SetCurrentLimit(2)
			control.SetVoltage(24)
			control.SetOutput(true)
			c, err := net.Dial("tcp", strings.TrimPrefix(bench.Addresses()["scope"], "tcp://"))
			require.NoError(b, err)
			defer c.Close()
			in := bufio.NewReaderSize(c, 1<<16)
			const interval = 4e-9
			fmt.Fprintf(c, "INP1 ON;:INP2 ON;:INP1:ATT 10;:INP2:ATT 10;:SENS:SWE:POIN %d;TINT 4E-9\n", points)
			took := time.Duration(0)
			for b.Loop() {
				began := time.Now()
				fmt.Fprint(c, "INIT;*OPC?\n")
				_, err := in.ReadString('\n')
				require.NoError(b, err)
				for channel := range 2 {
					fmt.Fprintf(c, "TRAC? CH%d\n", channel+1)
					_, err := io.CopyN(io.Discard, in, int64(points)+int64(len(fmt.Sprint(points)))+3)
					require.NoError(b, err)
				}
				took += time.Since(began)
			}
			b.ReportMetric(float64(took.Microseconds())/float64(b.N)/1000, "ms/capture")
			b.ReportMetric(float64(points)*interval*1000, "ms/record")
		})
	}
}
