package simulated

import (
	"context"
	"encoding/json"
	"errors"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// resource is a role's address as a general client library names it. Behind the path of a serial port is a pseudo-terminal.
func resource(t *testing.T, b *Bench, role string) string {
	t.Helper()
	address := b.Addresses()[role]
	if host, ok := strings.CutPrefix(address, "tcp://"); ok {
		return "TCPIP::" + strings.Replace(host, ":", "::", 1) + "::SOCKET"
	}
	path, _, _ := strings.Cut(strings.TrimPrefix(address, "serial://"), "?")
	device, err := filepath.EvalSymlinks(path)
	require.NoError(t, err)
	return "ASRL" + device + "::INSTR"
}

// The outside check: a client library that knows nothing of this program reads identities, readings and waveform blocks.
//
// Source: the Debian packages python3-pyvisa and python3-pyvisa-py.
func TestAGeneralClientLibraryReadsTheInstruments(t *testing.T) {
	const python = "/usr/bin/python3"
	if out, err := exec.Command(python, "-c", "import pyvisa, pyvisa_py, serial").CombinedOutput(); err != nil {
		t.Skipf("not checked against a general client library: install python3-pyvisa, python3-pyvisa-py and python3-serial (%v: %s)", err, out)
	}
	b := start(t, Options{Params: servo()})
	dial(t, b, "person").do(`PERS:PLAC "M1","control"`)
	c := dial(t, b, "control")
	c.send("SET:U 24.00", "SET:I 1.000", "OUT:1")
	c.until("ASK:U", func(a string) bool { return strings.HasPrefix(a, "U 23.9") || strings.HasPrefix(a, "U 24") })
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	out, err := exec.CommandContext(ctx, python, "testdata/client.py", resource(t, b, "meter"), resource(t, b, "scope"), resource(t, b, "hall")).Output()
	if failed := (*exec.ExitError)(nil); errors.As(err, &failed) {
		t.Fatalf("%v: %s", err, failed.Stderr)
	}
	require.NoError(t, err)
	var got struct {
		Meter, Scope, Hall string
		Volts, Mean        float64
		Sensed             int
		HallError          string `json:"hall_error"`
		ScopeError         string `json:"scope_error"`
		Preamble           []float64
		Points             []int
		Same               bool
	}
	require.NoError(t, json.Unmarshal(out, &got), "%s", out)
	require.Equal(t, "Quayside Simulated,meter SIMULATED,SIM-meter-0,1.0", got.Meter)
	require.Equal(t, "Quayside Simulated,scope SIMULATED,SIM-scope-0,1.0", got.Scope)
	require.Equal(t, "Quayside Simulated,Hall source SIMULATED,SIM-hall-0,1.0", got.Hall)
	require.InDelta(t, 24, got.Volts, 0.1)
	require.Equal(t, 5, got.Sensed)
	require.Equal(t, `0,"No error"`, got.HallError)
	require.Equal(t, `0,"No error"`, got.ScopeError)
	require.Equal(t, []int{50000, 50000}, got.Points)
	require.Len(t, got.Preamble, 7)
	require.InDelta(t, 24, got.Mean, 24*scopeGain+scopeOffset+0.1)
	require.True(t, got.Same, "16 bits are the 8 bits, 256 times")
}
