package bench_test

import (
	"context"

	"fmt"

	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/bench/benchtest"
	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

const quay = `bench: quay-1
person: simulated
earthing: {bus_feed: isolated, control_common: isolated}
emergency_stop: red button at the right, cuts all supplies
period: 100 ms
ceilings: {voltage: 200 V, current: 1 A, power: 100 W}
instruments:
  bus: {link: "tcp://192.0.2.10:5025", dialect: plain-supply, safe: off}
  bus_meter: {link: "tcp://192.0.2.11:5025", dialect: plain-meter, accuracy: {voltage: 0.05 % of reading + 10 mV}}
  control: {link: "tcp://192.0.2.12:5025", dialect: plain-supply, safe: leave}
  reference: {link: "tcp://192.0.2.13:5025", dialect: plain-reference, safe: zero}
  hall: {link: "tcp://192.0.2.14:5025", dialect: hall-source, safe: off}
  contacts:
    link: tcp://192.0.2.15:5025
    dialect: plain-contacts
    contacts:
      inhibit: {channel: 1, safe: closed}
      enable: {channel: 2, safe: open}
      beacon: {channel: 3, safe: leave}
      bus_contactor: {channel: 4, safe: open}
      pedal: {channel: 1, input: true, normal: open}
`

// guard is a warden that permits everything and remembers what it was told.
type guard struct {
	mu     sync.Mutex
	no     error
	told   []string
	fed    []bench.Sample
	onFed  func(bench.Sample)
	onSet  func(to quantity.Volts)
	onFall func(role string, to quantity.Volts)
}

func (g *guard) Ready() error { g.mu.Lock(); defer g.mu.Unlock(); return g.no }

func (g *guard) Feed(s bench.Sample) {
	g.mu.Lock()
	g.fed = append(g.fed, s)
	f := g.onFed
	g.mu.Unlock()
	if f != nil {
		f(s)
	}
}

func (g *guard) Setpoint(role string, from, to quantity.Volts, limit quantity.Amperes, settle time.Duration) {
	g.note(fmt.Sprintf("%s from %v to %v at %v", role, from, to, limit))
	if g.onSet != nil {
		g.onSet(to)
	}
}

func (g *guard) WillFall(role string, to quantity.Volts) {
	if g.onFall != nil {
		g.onFall(role, to)
	}
}

func (g *guard) LinkLost(role string, err error) { g.note("lost " + role) }

func (g *guard) note(s string) { g.mu.Lock(); defer g.mu.Unlock(); g.told = append(g.told, s) }

func (g *guard) refuse(err error) { g.mu.Lock(); defer g.mu.Unlock(); g.no = err }

// consent is a person who allows everything, or nothing.
type consent struct {
	mu    sync.Mutex
	no    error
	asked []bench.Announced
}

func (c *consent) Allow(a bench.Announced) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.asked = append(c.asked, a)
	return c.no
}

// log is a sink that keeps everything.
type log struct {
	mu     sync.Mutex
	events []event.Event
}

func (l *log) Emit(e event.Event) { l.mu.Lock(); defer l.mu.Unlock(); l.events = append(l.events, e) }

func bodies[T event.Body](l *log) []T {
	l.mu.Lock()
	defer l.mu.Unlock()
	var found []T
	for _, e := range l.events {
		if b, ok := e.Body.(T); ok {
			found = append(found, b)
		}
	}
	return found
}

type fixture struct {
	*benchtest.World
	*bench.Bench
	guard   *guard
	consent *consent
	log     *log
	dir     string

	forgotten int // how often what a person had confirmed was dropped
}

var board = bench.Stage{Run: "r1", Name: "board", Unit: "H-1042",
	Supplies: map[string]bench.Envelope{
		bench.Bus:       {Voltage: 90, Current: 0.5, TripVoltage: 100, TripCurrent: 0.1},
		bench.Control:   {Voltage: 24, Current: 0.8, TripVoltage: 27, TripCurrent: 0.6},
		bench.Reference: {Voltage: 10, Current: 0.02},
	},
	Drive: bench.Drive{CapacitanceLeast: 376e-6, CapacitanceMost: 564e-6, BleederLeast: 3705, BleederMost: 4095, ControlHold: time.Second}}

// open opens a bench in memory. spoil may change the world before.
func open(t *testing.T, dir string, spoil func(*benchtest.World)) *fixture {
	t.Helper()
	w := benchtest.New()
	if spoil != nil {
		spoil(w)
	}
	return reopen(t, dir, w)
}

func reopen(t *testing.T, dir string, w *benchtest.World) *fixture {
	t.Helper()
	file, err := bench.DecodeFile("quay.yaml", []byte(quay))
	require.NoError(t, err)
	f := &fixture{World: w, guard: &guard{}, consent: &consent{}, log: &log{}, dir: dir}
	f.Bench, err = bench.Open(t.Context(), file, bench.Config{StateDir: dir, Sink: f.log, Guard: f.guard, Consent: f.consent, Connect: w.Connect})
	require.NoError(t, err)
	return f
}

// polled runs the bench's polling for the rest of the test.
func (f *fixture) polled(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- f.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		require.NoError(t, <-done)
	})
	synctest.Wait()
}

func (f *fixture) live(t *testing.T) {
	t.Helper()
	require.NoError(t, f.Begin(board))
	require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Control, Voltage: 24}))
	require.NoError(t, f.Hall().Output(t.Context(), true))
	require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Reference, Voltage: 1}))
	require.NoError(t, f.SetContact(t.Context(), "inhibit", false))
	require.NoError(t, f.SetContact(t.Context(), "enable", true))
	require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 90}))
}

// pass lets virtual time pass.
func pass(d time.Duration) { <-time.After(d) }

func TestOpenLeavesEveryOutputInItsSafeStateBeforeItReturns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), func(w *benchtest.World) {
			w.Supply(bench.Bus, func(s *benchtest.Supply) { s.On, s.Voltage, s.Limit = true, 90, 0.5 }) // a crash left it on
			w.Supply(bench.Reference, func(s *benchtest.Supply) { s.On, s.Voltage = true, 5 })
		})
		require.NoError(t, f.Usable())
		require.False(t, f.On(bench.Bus))
		require.True(t, f.Contact("inhibit"))
		safe := bodies[event.Safety](f.log)
		require.Len(t, safe, 1)
		require.True(t, safe[0].Confirmed)
		require.Equal(t, event.NotProvenDown, f.Down().State, "a restart proves nothing")
		names := map[string]string{}
		for _, o := range safe[0].Outputs {
			names[o.Name] = o.Safe
		}
		require.Equal(t, map[string]string{"bus": "off", "control": "leave", "reference": "zero", "hall": "leave",
			"contacts.inhibit": "closed", "contacts.enable": "open", "contacts.bus_contactor": "open"}, names)
		require.ErrorContains(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 10}), "no run has begun")
	})
}

func TestAnInstrumentThatIsNotThereLeavesTheBenchForMakeSafeOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), func(w *benchtest.World) {
			w.Absent = map[string]bool{bench.Hall: true}
			w.Supply(bench.Bus, func(s *benchtest.Supply) { s.On = true })
		})
		require.False(t, f.On(bench.Bus), "the others were made safe all the same")
		require.ErrorIs(t, f.Usable(), bench.ErrNotSafe)
		require.ErrorContains(t, f.Usable(), "hall (tcp://192.0.2.14:5025): connection refused")
		require.ErrorIs(t, f.Begin(board), bench.ErrNotSafe)
		require.False(t, f.MakeSafe(t.Context(), "again").Confirmed)
	})
}

func TestASimulatedPersonIsRefusedBesideARealInstrument(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := benchtest.New()
		w.Real = map[string]bool{bench.Bus: true}
		w.Supply(bench.Bus, func(s *benchtest.Supply) { s.On = true })
		file, err := bench.DecodeFile("quay.yaml", []byte(quay))
		require.NoError(t, err)
		_, err = bench.Open(t.Context(), file, bench.Config{StateDir: t.TempDir(), Sink: &log{}, Guard: &guard{}, Consent: &consent{}, Connect: w.Connect})
		require.ErrorContains(t, err, `bus says it is "Quayside,bus,1,1.0"`)
		require.False(t, w.On(bench.Bus), "what was on is off all the same")
	})
}

func TestNotSafeStandsOverARestartUntilAReadBackOrAHandRemovesIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		f := open(t, dir, func(w *benchtest.World) {
			w.Supply(bench.Bus, func(s *benchtest.Supply) { s.On, s.Stuck = true, true })
		})
		require.ErrorIs(t, f.Usable(), bench.ErrNotSafe)

		f = reopen(t, dir, f.World)
		before, ok, err := f.Before()
		require.NoError(t, err)
		require.True(t, ok)
		require.Equal(t, "bus", before.NotSafe[0].Name)
		require.ErrorIs(t, f.Usable(), bench.ErrNotSafe, "it is still on")

		require.Error(t, f.ProveSafe("", "pulled the plug"))
		require.NoError(t, f.ProveSafe("M. Quist", "pulled the plug, meter shows 0 V"))
		require.NoError(t, f.Usable())
		state, _, err := bench.ReadState(dir, "quay-1")
		require.NoError(t, err)
		require.Empty(t, state.NotSafe)

		f.Supply(bench.Bus, func(s *benchtest.Supply) { s.Stuck = false })
		f = reopen(t, dir, f.World)
		require.NoError(t, f.Usable(), "a read-back removes it too")
	})
}

func TestAnInstrumentThatIsSwitchedOnLaterIsReachedAndMadeSafe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), func(w *benchtest.World) {
			w.Absent = map[string]bool{bench.Bus: true}
			w.Supply(bench.Bus, func(s *benchtest.Supply) { s.On = true })
		})
		f.polled(t)
		pass(12 * time.Second)
		require.ErrorIs(t, f.Usable(), bench.ErrNotSafe)
		require.Equal(t, event.NotProvenDown, f.Down().State)
		f.Change(func(w *benchtest.World) { w.Absent = nil })
		pass(6 * time.Second)
		require.NoError(t, f.Usable())
		require.False(t, f.On(bench.Bus))
		_, err := f.Next(t.Context(), "bus.voltage")
		require.NoError(t, err)
		require.NoError(t, f.Begin(board))
	})
}

func TestARealInstrumentThatComesLaterIsRefusedBesideASimulatedPerson(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), func(w *benchtest.World) {
			w.Absent, w.Real = map[string]bool{bench.Bus: true}, map[string]bool{bench.Bus: true}
		})
		f.polled(t)
		f.Change(func(w *benchtest.World) { w.Absent = nil })
		pass(6 * time.Second)
		require.ErrorContains(t, f.Usable(), `bus (tcp://192.0.2.10:5025): it says it is "Quayside,bus,1,1.0", but the person of this bench is simulated`)
		require.False(t, f.Simulated())
	})
}
