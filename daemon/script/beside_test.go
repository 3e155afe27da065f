package script

import (
	"context"
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/instruments/waveform"
)

// chopping is a bench whose scope sees phases that chop at 10 kHz, each caught at another instant; phase B reaches 40 V only.
type chopping struct{ *fakeRig }

func (c chopping) HasRole(string) bool                           { return true }
func (c chopping) Arm(context.Context, Capture) (Pending, error) { return c, nil }
func (c chopping) Wait(context.Context, time.Duration) (map[string]waveform.Trace, bool, error) {
	traces := map[string]waveform.Trace{}
	for point, at := range map[string]struct{ phase, volts float64 }{"phase:A": {0.2, 60}, "phase:B": {0.7, 40}, "phase:C": {0.45, 60.2}} {
		volts := make([]float64, 2000)
		for i := range volts {
			if _, place := math.Modf(float64(i)/400 + at.phase); place < 0.3 {
				volts[i] = at.volts
			}
		}
		t := waveform.FromFloat64(volts)
		t.Step = 0.25e-6
		traces[point] = t
	}
	return traces, true, nil
}

func TestASuspectIsKeptBesideItsSiblingsAligned(t *testing.T) {
	rig := chopping{&fakeRig{highest: 100}}
	s, err := Parse("trial.star", []byte(head+`
def run(drive):
    t = scope.capture(["phase:A", "phase:B", "phase:C"], low = 0 * V, high = 70 * V, rate = 4 * MHz, duration = 500 * us)
    scope.beside("phase B", t["phase:B"], {"phase A": t["phase:A"], "phase C": t["phase:C"]})
    scope.beside("phase B", "no trace", {})
`))
	require.NoError(t, err)
	_, err = Run(t.Context(), s, heron(t), rig, &freeSlot{})
	require.ErrorContains(t, err, "want a trace")
	kept := map[string]event.Trace{}
	for _, b := range rig.events {
		if k, ok := b.(event.Trace); ok {
			kept[k.Name] = k
		}
	}
	require.Len(t, kept, 3)
	require.Empty(t, kept["phase B, suspected"].Beside)
	for _, name := range []string{"phase A", "phase C"} {
		require.Equal(t, "phase B, suspected", kept[name+" beside phase B, suspected"].Beside)
	}
	for name, k := range kept {
		var trace waveform.Trace
		require.NoError(t, json.Unmarshal(k.Data, &trace), name)
		require.InDelta(t, -10e-6, float64(trace.Start), 0.3e-6, "%s: a tenth of a period before the edge", name)
		require.InDelta(t, 110e-6, float64(trace.Duration()), 0.6e-6, "%s: and a period after it", name)
		up, ok := trace.FirstEdge(20, 5, true, -1)
		require.True(t, ok)
		require.InDelta(t, 0, float64(up), 0.2e-6, name)
	}
}
