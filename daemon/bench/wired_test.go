package bench_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/bench/benchtest"
	"benchwarden/instruments/link"
)

// wired opens a bench over real links, dialects and drivers.
func wired(t *testing.T, w *benchtest.Wired) *fixture {
	t.Helper()
	return wiredAs(t, w, quay)
}

func wiredAs(t *testing.T, w *benchtest.Wired, text string) *fixture {
	t.Helper()
	file, err := bench.DecodeFile("quay.yaml", []byte(text))
	require.NoError(t, err)
	f := &fixture{guard: &guard{}, consent: &consent{}, log: &log{}, dir: t.TempDir()}
	connect := func(ctx context.Context, role string, in *bench.Instrument, state func(link.State)) (*bench.Device, error) {
		dial := bench.Dial(file, []string{"../../configs/dialects"}, nil, link.Options{Open: w.Open(role)})
		d, err := dial(ctx, role, in, state)
		if role == bench.Contacts && d != nil {
			d.Forget = func() { f.forgotten++ }
		}
		return d, err
	}
	f.Bench, err = bench.Open(t.Context(), file, bench.Config{StateDir: f.dir, Sink: f.log, Guard: f.guard, Consent: f.consent, Connect: connect})
	require.NoError(t, err)
	t.Cleanup(func() {
		require.NoError(t, f.Close())
		w.Wait()
	})
	return f
}

// up brings everything on.
func up(t *testing.T, f *fixture) {
	t.Helper()
	require.NoError(t, f.Begin(board))
	for _, err := range []error{
		f.SwitchOn(t.Context(), bench.Output{Role: bench.Control, Voltage: 24}),
		f.Hall().Output(t.Context(), true),
		f.SwitchOn(t.Context(), bench.Output{Role: bench.Reference, Voltage: -2.5}),
		f.SetContact(t.Context(), "inhibit", false),
		f.SetContact(t.Context(), "enable", true),
		f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 90, Current: 0.2}),
	} {
		require.NoError(t, err)
	}
}

const inhibit, enable = 1, 2 // channels in the bench file

func madeSafe(t *testing.T, w *benchtest.Wired) {
	t.Helper()
	require.False(t, w.Supply(bench.Bus).On, "the bus supply is on")
	require.Zero(t, w.Supply(bench.Reference).Voltage, "the reference is not at zero")
	require.True(t, w.Closed(inhibit), "the drive is not inhibited")
	require.False(t, w.Closed(enable), "the drive is enabled")
}

func TestOverRealLinksTheBenchComesUpIsPolledAndIsMadeSafe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := benchtest.NewWired()
		f := wired(t, w)
		require.NoError(t, f.Usable())
		require.True(t, f.Simulated())
		f.polled(t)
		up(t, f)
		bus := w.Supply(bench.Bus)
		require.True(t, bus.On)
		require.Equal(t, 90.0, bus.Voltage)
		require.Equal(t, 0.2, bus.Limit)
		require.Equal(t, 105.0, bus.OverVoltage)
		require.InDelta(t, 0.55, bus.OverCurrent, 1e-9, "10 % past the highest current limit of the stage")
		require.Equal(t, -2.5, w.Supply(bench.Reference).Voltage)
		s, err := f.Next(t.Context(), "bus_meter.voltage")
		require.NoError(t, err)
		require.Equal(t, 90.0, s.Value.Number)

		got := f.MakeSafe(t.Context(), "trip")
		require.True(t, got.Confirmed, "%+v", got.Outputs)
		require.Less(t, got.Took, 2*time.Second)
		madeSafe(t, w)
		require.True(t, w.Supply(bench.Control).On, "left while the bus is not proven down")
	})
}

// What a person confirmed in one run is not believed in the next: people move clips and switches in between.
func TestARunForgetsWhatWasConfirmedBeforeIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := wired(t, benchtest.NewWired())
		for run := 1; run <= 2; run++ {
			require.NoError(t, f.Begin(board))
			require.Equal(t, run, f.forgotten)
			require.True(t, f.MakeSafe(t.Context(), "the run has ended").Confirmed)
		}
	})
}

// Each message of a make-safe is lost in turn on its way to the instrument, or the answer on its way back, with polls going on:
// the links re-synchronise, the fences hold, and the bench ends safe and says so.
func TestOverRealLinksMakeSafeWithEachMessageLostInTurn(t *testing.T) {
	var total int
	synctest.Test(t, func(t *testing.T) {
		w := benchtest.NewWired()
		f := wired(t, w)
		up(t, f)
		from := len(w.Sent())
		require.True(t, f.MakeSafe(t.Context(), "count").Confirmed)
		total = len(w.Sent()) - from
	})
	require.Greater(t, total, 20)
	for loss, name := range map[benchtest.Loss]string{benchtest.Command: "command", benchtest.Reply: "reply"} {
		for lost := 1; lost <= total; lost++ {
			t.Run(fmt.Sprintf("%s %d of %d", name, lost, total), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					w := benchtest.NewWired()
					f := wired(t, w)
					f.polled(t)
					up(t, f)
					from := len(w.Sent())
					w.Lose(func(e benchtest.Exchange) benchtest.Loss {
						if e.Number == from+lost {
							return loss
						}
						return benchtest.None
					})
					got := f.MakeSafe(t.Context(), "sweep")
					require.True(t, got.Confirmed, "%+v", got.Outputs)
					madeSafe(t, w)
				})
			})
		}
	}
}

func TestOverRealLinksADeadSupplyIsNotSafeAndCostsTheOthersNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := benchtest.NewWired()
		f := wired(t, w)
		up(t, f)
		w.Lose(func(e benchtest.Exchange) benchtest.Loss {
			if e.Role == bench.Bus {
				return benchtest.Command
			}
			return benchtest.None
		})
		go f.MakeSafe(t.Context(), "dead bus supply")
		<-time.After(50 * time.Millisecond)
		require.True(t, w.Closed(inhibit))
		require.Zero(t, w.Supply(bench.Reference).Voltage)
		got := f.MakeSafe(t.Context(), "joined")
		require.False(t, got.Confirmed)
		require.ErrorIs(t, f.Usable(), bench.ErrNotSafe)
		require.ErrorContains(t, f.Usable(), "NOT SAFE: bus: ")

		w.Lose(nil) // it is back
		require.True(t, f.MakeSafe(t.Context(), "again").Confirmed)
		require.NoError(t, f.Usable())
		madeSafe(t, w)
	})
}

func TestOverRealLinksAnInstrumentThatIsSomethingElseIsSaid(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := benchtest.NewWired()
		file, err := bench.DecodeFile("quay.yaml", []byte(strings.Replace(quay, "dialect: hall-source", "dialect: plain-contacts", 1)))
		require.NoError(t, err)
		connect := func(ctx context.Context, role string, in *bench.Instrument, state func(link.State)) (*bench.Device, error) {
			return bench.Dial(file, []string{"../../configs/dialects"}, nil, link.Options{Open: w.Open(role)})(ctx, role, in, state)
		}
		b, err := bench.Open(t.Context(), file, bench.Config{StateDir: t.TempDir(), Sink: &log{}, Guard: &guard{}, Consent: &consent{}, Connect: connect})
		require.NoError(t, err)
		require.ErrorContains(t, b.Usable(), "hall (tcp://192.0.2.14:5025): dialect plain-contacts speaks to a contacts; the role hall needs a hall")
		require.NoError(t, b.Close())
	})
}
