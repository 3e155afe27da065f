package waveform

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// pythonWithScipy is an interpreter that has scipy; the system's own, where another comes first in the path.
func pythonWithScipy(t *testing.T) string {
	for _, python := range []string{"python3", "/usr/bin/python3"} {
		if exec.CommandContext(t.Context(), python, "-c", "import scipy").Run() == nil {
			return python
		}
	}
	t.Skip("scipy is missing: apt-get install python3-scipy")
	return ""
}

// scipy and numpy on the same samples agree within the stated uncertainty: an outside check of levels, durations and instants.
func TestScipyAgreesWithinTheStatedUncertainty(t *testing.T) {
	python := pythonWithScipy(t)
	edges := map[string][2]shape{
		"ramps":         {ramp(800e-9), ramp(500e-9)},
		"raised cosine": {raisedCosine(900e-9), raisedCosine(1500e-9)},
		"one pole":      {onePole(200e-9), onePole(300e-9)},
		"ringing":       {secondOrder(8e6, 0.6), secondOrder(6e6, 0.7)},
	}
	for name, edge := range edges {
		for _, bits := range []int{8, 12, 16} {
			t.Run(fmt.Sprintf("%s, %d bits", name, bits), func(t *testing.T) {
				trace := scope{step: 20e-9, points: 30_000, bits: bits, low: -14, high: 22}.take(train(-8, 15, edge[0], edge[1], 3.01e-6, 50.003e-6, 20e-6))
				values := make([]float64, trace.Len())
				for i := range values {
					values[i] = trace.At(i)
				}
				var raw bytes.Buffer
				require.NoError(t, binary.Write(&raw, binary.LittleEndian, values))
				file := filepath.Join(t.TempDir(), "trace")
				require.NoError(t, os.WriteFile(file, raw.Bytes(), 0o600))
				out, err := exec.CommandContext(t.Context(), python, "testdata/pulses.py", file, fmt.Sprint(float64(trace.Step))).Output()
				require.NoError(t, err)
				var theirs map[string]float64
				require.NoError(t, json.Unmarshal(out, &theirs))
				p := Analyse(trace, Options{})
				for what, m := range map[string]Measure{"low": p.Low, "high": p.High, "amplitude": p.Amplitude, "rise": p.Rise, "fall": p.Fall,
					"width": p.PulseWidth, "period": p.Period, "frequency": p.Frequency} {
					require.Contains(t, theirs, what)
					holds(t, theirs[what], m, what)
				}
			})
		}
	}
}
