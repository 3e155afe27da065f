package bench_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/bench/benchtest"
	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

func TestSwitchOnRefusesBeforeAnythingIsSent(t *testing.T) {
	noAct, tripped := errors.New("no act at the bench allows this"), errors.New("tripped")
	tests := []struct {
		name  string
		spoil func(*fixture)
		on    bench.Output
		want  string
		is    error
	}{
		{"above the stage's limit", nil, bench.Output{Role: bench.Bus, Voltage: 90.1}, "bus: 90.1 V is above 90 V, stage board", bench.ErrPastLimit},
		{"no number", nil, bench.Output{Role: bench.Bus, Voltage: quantity.Volts(math.NaN())}, "bus: ", bench.ErrPastLimit},
		{"infinite", nil, bench.Output{Role: bench.Bus, Voltage: quantity.Volts(math.Inf(1))}, "bus: ", bench.ErrPastLimit},
		{"negative", nil, bench.Output{Role: bench.Bus, Voltage: -1}, "bus: -1 V is below zero", bench.ErrPastLimit},
		{"a current limit above the stage's", nil, bench.Output{Role: bench.Bus, Voltage: 50, Current: 0.6}, "bus: a current limit of 600 mA is above 500 mA, stage board", bench.ErrPastLimit},
		{"a negative current limit", nil, bench.Output{Role: bench.Bus, Voltage: 50, Current: -0.1}, "bus: a current limit of -100 mA", bench.ErrPastLimit},
		{"a current limit that is no number", nil, bench.Output{Role: bench.Bus, Voltage: 50, Current: quantity.Amperes(math.NaN())}, "bus: a current limit of", bench.ErrPastLimit},
		{"a reference past its limit to the other side", nil, bench.Output{Role: bench.Reference, Voltage: -10.1}, "reference: -10.1 V is above 10 V, stage board", bench.ErrPastLimit},
		{"a role that the bench has not", nil, bench.Output{Role: bench.Load, Voltage: 1}, "load: no such instrument on this bench", bench.ErrNoRole},
		{"what is no supply", nil, bench.Output{Role: bench.Hall, Voltage: 1}, "hall is not a supply", nil},
		{"without an act at the bench", func(f *fixture) { f.consent.no = noAct }, bench.Output{Role: bench.Bus, Voltage: 50}, "bus stays as it is: no act", noAct},
		{"while a trip stands", func(f *fixture) { f.guard.refuse(tripped) }, bench.Output{Role: bench.Bus, Voltage: 50}, "bus stays as it is: tripped", tripped},
		{"after a make-safe", func(f *fixture) { f.MakeSafe(context.Background(), "over-voltage") }, bench.Output{Role: bench.Bus, Voltage: 50}, "the bench was made safe: over-voltage", bench.ErrMadeSafe},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := open(t, t.TempDir(), nil)
				require.NoError(t, f.Begin(board))
				if tt.spoil != nil {
					tt.spoil(f)
				}
				before := len(f.Sent())
				err := f.SwitchOn(t.Context(), tt.on)
				require.ErrorContains(t, err, tt.want)
				if tt.is != nil {
					require.ErrorIs(t, err, tt.is)
				}
				require.Len(t, f.Sent(), before, "something reached the wire")
			})
		})
	}
}

func TestTheBenchCeilingIsTighterThanAStage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		stage := board
		stage.Supplies = map[string]bench.Envelope{bench.Bus: {Voltage: 600, Current: 20}}
		require.NoError(t, f.Begin(stage))
		require.ErrorContains(t, f.Allowed(bench.Bus, 201, 0), "bus: 201 V is above 200 V, the ceiling of bench quay-1")
		require.ErrorContains(t, f.Allowed(bench.Bus, 20, 1.1), "bus: a current limit of 1.1 A is above 1 A, the ceiling of bench quay-1")
		require.ErrorContains(t, f.Allowed(bench.Bus, 150, 0.9), "bus: 150 V at a current limit of 900 mA is more than 100 W, the ceiling of bench quay-1")
		require.NoError(t, f.Allowed(bench.Bus, 200, 0.5))
		require.ErrorContains(t, f.Allowed(bench.Control, 24, 0), "control: stage board does not use it")
	})
}

func TestSwitchOnProtectsThenWritesTheStateFileThenSwitches(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		require.NoError(t, f.Begin(board))
		var atOn bench.StateFile
		f.Fault = func(e benchtest.Exchange) benchtest.Loss {
			if e.Text == "output on" {
				var err error
				atOn, _, err = bench.ReadState(f.dir, "quay-1")
				require.NoError(t, err)
			}
			return benchtest.None
		}
		from := len(f.Sent())
		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 60, Current: 0.2}))
		var texts []string
		for _, e := range f.Sent()[from:] {
			texts = append(texts, e.Text)
		}
		// Over-voltage: the trip limit of 100 V and 5 %; over-current: the highest limit of the stage, 500 mA, and 10 %.
		require.Equal(t, []string{"protect 105 V 550 mA", "limit 200 mA", "set 60 V", "set?", "output on", "on?"}, texts)
		require.Contains(t, atOn.On, bench.Bus, "the file says that the bus is about to be on")
		require.Equal(t, "board", atOn.Stage)
		require.Equal(t, "H-1042", atOn.Unit)
		require.Equal(t, board.Drive, atOn.Drive.Drive())
		require.Equal(t, []string{"bus from 0 V to 60 V at 200 mA"}, f.guard.told)
		require.Equal(t, []event.Switched{{Output: bench.Bus, On: true}}, bodies[event.Switched](f.log))
		require.Equal(t, event.Live, f.Down().State)
		require.True(t, f.On(bench.Bus))

		require.NoError(t, f.SwitchOff(t.Context(), bench.Bus))
		require.False(t, f.On(bench.Bus))
		state, _, err := bench.ReadState(f.dir, "quay-1")
		require.NoError(t, err)
		require.NotContains(t, state.On, bench.Bus)
	})
}

func TestProtectionThatReadsBackWrongKeepsTheOutputOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		require.NoError(t, f.Begin(board))
		f.Supply(bench.Bus, func(s *benchtest.Supply) { s.NoProtect = true })
		err := f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 60})
		require.EqualError(t, err, "bus: its over-voltage protection was set to 105 V but reads back 1.05 kV, so it stays off")
		require.False(t, f.On(bench.Bus))
	})
}

func TestAStateFileThatCannotBeWrittenKeepsTheOutputOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir() + "/state"
		f := open(t, dir, nil)
		require.NoError(t, f.Begin(board))
		require.NoError(t, os.RemoveAll(dir))
		require.NoError(t, os.WriteFile(dir, nil, 0o600)) // a file where the directory was
		err := f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 60})
		require.ErrorContains(t, err, "state file of bench quay-1 cannot be written, so nothing is switched on")
		require.False(t, f.On(bench.Bus))
		require.False(t, f.MakeSafe(t.Context(), "full disk").Confirmed)
		require.False(t, f.On(bench.Bus))
	})
}

func TestTheGuardHearsOfAFallBeforeItIsSent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		require.NoError(t, f.Begin(board))
		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 30}))
		var told []string
		note := func(s string) { f.guard.mu.Lock(); defer f.guard.mu.Unlock(); told = append(told, s) }
		f.guard.onFall = func(role string, to quantity.Volts) { note(fmt.Sprintf("%s will fall to %v", role, to)) }
		f.Fault = func(e benchtest.Exchange) benchtest.Loss {
			if e.Role == bench.Bus && !strings.Contains(e.Text, "?") {
				note(e.Text)
			}
			return benchtest.None
		}
		require.NoError(t, f.SetVoltage(t.Context(), bench.Bus, 60))
		require.NoError(t, f.SetVoltage(t.Context(), bench.Bus, 20))
		require.NoError(t, f.SwitchOff(t.Context(), bench.Bus))
		require.Equal(t, []string{"set 60 V", "bus will fall to 20 V", "set 20 V", "bus will fall to 0 V", "output off"}, told[:5])
	})
}

func TestSetVoltageTellsTheGuardBeforeARiseAndAfterAFall(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		require.NoError(t, f.Begin(board))
		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 30}))
		told := map[string]int{}
		f.Fault = func(e benchtest.Exchange) benchtest.Loss {
			if strings.HasPrefix(e.Text, "set ") {
				f.guard.mu.Lock()
				told[e.Text] = len(f.guard.told)
				f.guard.mu.Unlock()
			}
			return benchtest.None
		}
		require.NoError(t, f.SetVoltage(t.Context(), bench.Bus, 60))
		require.NoError(t, f.SetVoltage(t.Context(), bench.Bus, 20))
		require.Equal(t, map[string]int{"set 60 V": 2, "set 20 V": 2}, told)
		require.Equal(t, []string{"bus from 0 V to 30 V at 500 mA", "bus from 30 V to 60 V at 500 mA", "bus from 60 V to 20 V at 500 mA"}, f.guard.told)

		require.ErrorIs(t, f.SetVoltage(t.Context(), bench.Bus, 91), bench.ErrPastLimit)
		f.consent.no = errors.New("hands are in the bench")
		require.ErrorContains(t, f.SetVoltage(t.Context(), bench.Bus, 40), "hands are in the bench", "a rise needs the act")
		require.NoError(t, f.SetVoltage(t.Context(), bench.Bus, 10), "a fall does not")
		require.NoError(t, f.SetCurrent(t.Context(), bench.Bus, 0.1))
		require.ErrorContains(t, f.SetCurrent(t.Context(), bench.Bus, 0.3), "hands are in the bench")
		require.NoError(t, f.SwitchOff(t.Context(), bench.Bus), "off is never refused")
	})
}

func TestTheBusContactorNeedsAnActWhileTheSupplyIsOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		require.NoError(t, f.Begin(board))
		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 30}))
		f.consent.no = errors.New("no act")
		require.ErrorContains(t, f.SetContact(t.Context(), "bus_contactor", true), "no act")
		require.False(t, f.Contact("bus_contactor"))
		require.NoError(t, f.SetContact(t.Context(), "beacon", true))
		require.ErrorContains(t, f.SetContact(t.Context(), "pedal", true), "is an input")
		require.ErrorIs(t, f.SetContact(t.Context(), "horn", true), bench.ErrNoRole)
		f.World.Input("pedal", true)
		pressed, err := f.Bench.Input(t.Context(), "pedal")
		require.NoError(t, err)
		require.True(t, pressed)
	})
}

func TestNextIsAPollThatWasAskedAfterTheCall(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		_, err := f.Next(t.Context(), "bus.voltage")
		require.ErrorIs(t, err, bench.ErrNotPolled, "nobody polls yet")
		f.polled(t)
		_, err = f.Next(t.Context(), "bus.volts")
		require.ErrorContains(t, err, "bus.volts: not a watched quantity of this bench; it has [bus.current bus.mode bus.voltage bus_meter.voltage control.current")

		f.Charge(42)
		for range 5 {
			pass(33 * time.Millisecond)
			called := time.Now()
			s, err := f.Next(t.Context(), "bus_meter.voltage")
			require.NoError(t, err)
			require.True(t, s.Asked.After(called), "asked %v after the call", s.Asked.Sub(called))
			require.Less(t, s.Arrived.Sub(called), 120*time.Millisecond, "within a period and an exchange")
			require.InDelta(t, 42, s.Value.Number, 25)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Millisecond)
		defer cancel()
		_, err = f.Next(ctx, "bus.mode")
		require.ErrorIs(t, err, context.DeadlineExceeded)
	})
}

func TestTheGuardSeesEverySampleBeforeAnybodyElse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		f.guard.onFed = func(s bench.Sample) {
			last, ok := f.Last(s.Name)
			require.False(t, ok && !last.Asked.Before(s.Asked), "%s was published before the guard saw it", s.Name)
		}
		f.polled(t)
		pass(3 * time.Second)
		f.guard.mu.Lock()
		defer f.guard.mu.Unlock()
		counts := map[string]int{}
		for _, s := range f.guard.fed {
			counts[s.Name]++
			require.NoError(t, s.Err)
		}
		for _, name := range f.Watched() {
			require.InDelta(t, 30, counts[name], 1, name) // 3 s at 100 ms
		}
	})
}

func TestASlowInstrumentDoesNotAgeTheOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		f.Patient = 2 * time.Second
		f.Fault = func(e benchtest.Exchange) benchtest.Loss {
			if e.Role == bench.Control && e.Text == "measure?" {
				return benchtest.Command
			}
			return benchtest.None
		}
		f.polled(t)
		pass(10 * time.Second)
		last, ok := f.Last("bus.voltage")
		require.True(t, ok)
		require.Less(t, time.Since(last.Asked), 250*time.Millisecond)
		last, ok = f.Last("control.voltage")
		require.True(t, ok)
		require.ErrorIs(t, last.Err, benchtest.ErrTimeout)
		f.Lose(bench.Control)
		require.Contains(t, f.guard.told, "lost control")
	})
}

func TestBringDownEndsMeasuredDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		f.polled(t)
		require.NoError(t, f.Begin(board))
		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 90}))
		pass(2 * time.Second)
		state, err := f.BringDown(t.Context(), 20*time.Second)
		require.NoError(t, err)
		require.Equal(t, event.MeasuredDown, state.State, state.Why)
		synctest.Wait() // its event follows the reading that ended the wait
		require.False(t, f.On(bench.Bus))
		on := 0
		f.guard.mu.Lock()
		for _, s := range f.guard.fed {
			if v := s.Value.Number; s.Name == "bus_meter.voltage" && v > 5 && v < 85 {
				on++
			}
		}
		f.guard.mu.Unlock()
		require.GreaterOrEqual(t, on, 5, "readings on the way down")
		require.True(t, f.Down().Down())
		states := []string{}
		for _, b := range bodies[event.Bus](f.log) {
			states = append(states, b.State)
		}
		require.Equal(t, event.NotProvenDown, states[0])
		require.Equal(t, event.MeasuredDown, states[len(states)-1])

		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 90}))
		require.Equal(t, event.Live, f.Down().State)
	})
}

func TestALeadThatFellOffIsNotProvenDownUntilAPersonProvesIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		f.polled(t)
		require.NoError(t, f.Begin(board))
		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Control, Voltage: 24}))
		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 90}))
		pass(2 * time.Second)
		f.Change(func(w *benchtest.World) { w.Leads = false })
		f.MakeSafe(t.Context(), "trip")
		pass(20 * time.Second)
		got := f.Down()
		require.Equal(t, event.NotProvenDown, got.State)
		require.Contains(t, got.Why, "a lead fell off")
		require.True(t, f.On(bench.Control), "nobody knows that the bus is down")
		require.NoError(t, f.ProveDown(t.Context(), "M. Quist", 0.2))
		require.Equal(t, event.ProvenByHand, f.Down().State)
		require.False(t, f.On(bench.Control))
	})
}

func TestATripIsKeptOverARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		f := open(t, dir, nil)
		require.NoError(t, f.NoteTrip(&event.Trip{Cause: "over-voltage", Text: "bus.voltage 104 V is above 100 V"}))
		f = reopen(t, dir, f.World)
		before, ok, err := f.Before()
		require.NoError(t, err)
		require.True(t, ok)
		require.Equal(t, "over-voltage", before.Trip.Cause)
		require.NoError(t, f.NoteTrip(nil))
		f = reopen(t, dir, f.World)
		before, _, _ = f.Before()
		require.Nil(t, before.Trip)
	})
}

func TestADamagedStateFileIsSaid(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(bench.StatePath(dir, "quay-1"), []byte(`{"bench": "qu`), 0o600))
	_, ok, err := bench.ReadState(dir, "quay-1")
	require.False(t, ok)
	require.ErrorContains(t, err, "is damaged, so what was on is not known")
	_, ok, err = bench.ReadState(dir, "quay-2")
	require.False(t, ok)
	require.NoError(t, err)
}

func TestABusyBenchTakesNoSecondRun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		require.NoError(t, f.Begin(board))
		second := board
		second.Run = "r2"
		require.ErrorContains(t, f.Begin(second), "bench quay-1 is busy with run r1")
		f.MakeSafe(t.Context(), "run r1 ended")
		require.NoError(t, f.Begin(second))
	})
}

func TestAPersonMayChangeTheirMindUntilTheLastMoment(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		require.NoError(t, f.Begin(board))
		f.Fault = func(e benchtest.Exchange) benchtest.Loss {
			if e.Text == "set?" {
				f.consent.mu.Lock()
				f.consent.no = errors.New("hands are in the bench")
				f.consent.mu.Unlock()
			}
			return benchtest.None
		}
		from := len(f.Sent())
		require.ErrorContains(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 50}), "hands are in the bench")
		for _, e := range f.Sent()[from:] {
			require.NotEqual(t, "output on", e.Text)
		}
	})
}

func TestAnOutputThatComesLateIsAwaited(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), func(w *benchtest.World) { w.Lag = 250 * time.Millisecond })
		require.NoError(t, f.Begin(board))
		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 50}))
		require.True(t, f.On(bench.Bus))
		f.Change(func(w *benchtest.World) { w.Lag = time.Hour })
		require.ErrorContains(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Control, Voltage: 24}), "control: it was switched on but says that it is off")
	})
}

// A supply that is switched on below a bus that is still charged has done nothing wrong: the bus gets its time to fall.
func TestABusThatIsStillChargedGetsItsTimeToFall(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		f.polled(t)
		f.Charge(40)
		_, err := f.Next(t.Context(), "bus_meter.voltage")
		require.NoError(t, err)
		require.NoError(t, f.Begin(board))
		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 10}))
		require.Regexp(t, `^bus from (39|40)[.0-9]* V to 10 V`, f.guard.told[0])
	})
}
