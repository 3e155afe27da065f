package plant

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// The outside check of the bus model: ngspice, a circuit simulator of the SPICE family, solves the same circuit. Its source
// stands in for a supply in constant voltage with a current limit.
func TestRampAgreesWithCircuitSimulator(t *testing.T) {
	spice, err := exec.LookPath("ngspice")
	if err != nil {
		t.Skip("ngspice is not installed (Debian package ngspice): the ramp is not checked against a circuit simulator")
	}
	const volts, limit, rise, co, lead, esr, bleeder, capacitance = 90., 0.15, 0.06, 100e-6, 0.1, 0.15, 3900., 470e-6
	tests := []struct {
		name   string
		soft   float64
		limit  float64
		faults []string
		spice  string // further elements at the node
	}{
		{name: "current limit, no soft charge", soft: 0, limit: limit},
		{name: "soft-charge resistor, relay never pulls", soft: 220, limit: 2, faults: []string{"relay_not_pulling"}},
		{name: "current limit into a shorted chopper", soft: 0, limit: limit, faults: []string{"chopper_shorted=470 ohm"}, spice: "Rch node 0 470\n"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := heron()
			p.Bus.SoftCharge = quantity.Ohms(tt.soft)
			p.Bus.Quiescent = CurrentBand{}
			spec := DefaultBusSupply(320)
			spec.Gain, spec.Offset = 0, 0
			b := newBench(t, p, Options{Bus: spec}, tt.faults...)
			begin := b.now
			b.busTo(volts, quantity.Amperes(tt.limit))
			b.wait(2 * time.Second)

			netlist := fmt.Sprintf(`bus ramp
Vset goal 0 PWL(0 0 %g %g)
Bsup 0 out I = min(%g, max(0, 1000*(V(goal)-V(out))))
Co out 0 %g IC=0
Rs out node %g
Re node cap %g
C cap 0 %g IC=0
Rb node 0 %g
%s.control
set filetype=ascii
tran 0.2m 2 0 0.2m uic
wrdata ramp.txt V(out) V(node)
quit
.endc
.end
`, rise, volts, tt.limit, co, lead+tt.soft, esr, capacitance, bleeder, tt.spice)
			dir := t.TempDir()
			require.NoError(t, os.WriteFile(filepath.Join(dir, "ramp.cir"), []byte(netlist), 0o600))
			run := exec.Command(spice, "-b", "ramp.cir")
			run.Dir = dir
			out, err := run.CombinedOutput()
			require.NoError(t, err, string(out))
			table, err := os.ReadFile(filepath.Join(dir, "ramp.txt"))
			require.NoError(t, err, string(out))

			compared := 0
			for line := range strings.Lines(string(table)) {
				f := strings.Fields(line)
				at, node := number(t, f[0]), number(t, f[3])
				if at < 0.005 {
					continue
				}
				got, err := b.Capture("bus", begin.Add(time.Duration(at*1e9)), 1, 1, false)
				require.NoError(t, err)
				require.InDelta(t, node, float64(got[0]), 0.01*math.Max(node, 1), "at %v s", at)
				compared++
			}
			require.Greater(t, compared, 1000)
		})
	}
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return x
}
