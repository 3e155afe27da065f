package bench_test

import (
	"strings"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/bench/benchtest"
	"benchwarden/daemon/event"
)

var watchedBus = strings.Replace(quay, "dialect: plain-supply, safe: off", "dialect: watched-supply, safe: off", 1)

func TestTheCommunicationWatchdogIsArmedBeforeTheOutputAndDisarmedAfterIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := benchtest.NewWired()
		f := wiredAs(t, w, watchedBus)
		require.NoError(t, f.Begin(board))
		from := len(w.Sent())
		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 60}))
		require.Equal(t, 3.0, w.Supply(bench.Bus).Silence)
		var sent []string
		for _, e := range w.Sent()[from:] {
			sent = append(sent, e.Text)
		}
		all := strings.Join(sent, "\n")
		require.Less(t, strings.Index(all, "OUTP:SIL?"), strings.Index(all, "OUTP ON"), all)
		require.Greater(t, strings.Index(all, "OUTP:SIL?"), strings.Index(all, "OUTP:SIL 3.0"), all)
		require.NoError(t, f.SwitchOff(t.Context(), bench.Bus))
		require.Zero(t, w.Supply(bench.Bus).Silence)

		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 60}))
		require.Equal(t, 3.0, w.Supply(bench.Bus).Silence, "armed before each energising")
		require.True(t, f.MakeSafe(t.Context(), "trip").Confirmed)
	})
}

func TestARunsRecordSaysOnceWhatProtectsAndWhatDoesNot(t *testing.T) {
	tests := []struct {
		name, file string
		want       string
	}{
		{"a supply with everything", watchedBus,
			"bus: its own protection, set and read back: over-voltage at 105 V, over-current at 550 mA, off by itself after 3 s without a message. Nothing of this limits the discharge of the bus capacitors into the bridge: only a lamp, resistor or fuse between them does"},
		{"a bench file that says what stands in", strings.Replace(quay, "plain-supply, safe: off", "plain-supply, safe: off, no_protection: a fuse of 1 A", 1),
			"bus: its own protection, set and read back: over-voltage at 105 V, over-current at 550 mA, no communication watchdog; the bench file says: a fuse of 1 A. Nothing of this limits the discharge of the bus capacitors into the bridge: only a lamp, resistor or fuse between them does"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := wiredAs(t, benchtest.NewWired(), tt.file)
				require.NoError(t, f.Begin(board))
				for range 2 {
					require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 60}))
					require.NoError(t, f.SwitchOff(t.Context(), bench.Bus))
				}
				require.Equal(t, []event.Note{{Text: tt.want}}, bodies[event.Note](f.log))
			})
		})
	}
}
