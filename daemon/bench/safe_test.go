package bench_test

import (
	"context"
	"errors"
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

// isSafe is what a bench looks like after make-safe while the bus is not down: everything that feeds is off, the drive is
// inhibited, and the drivers keep their rails.
func isSafe(t *testing.T, f *fixture) {
	t.Helper()
	require.False(t, f.On(bench.Bus), "the bus supply is on")
	require.True(t, f.Contact("inhibit"), "the drive is not inhibited")
	require.False(t, f.Contact("enable"), "the drive is enabled")
	f.Supply(bench.Reference, func(s *benchtest.Supply) { require.Zero(t, s.Voltage, "the reference is not at zero") })
}

func TestMakeSafeOfALiveBench(t *testing.T) {
	for _, own := range []bool{false, true} {
		t.Run(fmt.Sprintf("own connection %t", own), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := open(t, t.TempDir(), func(w *benchtest.World) { w.Own = own })
				f.polled(t)
				f.live(t)
				require.Eventually(t, func() bool { return f.Volts() > 89 }, 5*time.Second, 100*time.Millisecond)
				before := len(f.Sent())

				got := f.MakeSafe(t.Context(), "over-current")
				require.True(t, got.Confirmed, "%+v", got.Outputs)
				require.Less(t, got.Took, time.Second)
				isSafe(t, f)
				require.True(t, f.On(bench.Control), "drivers need their rails while the bus is charged")
				require.True(t, f.HallOn())

				firsts := map[string]benchtest.Exchange{}
				for _, e := range f.Sent()[before:] {
					if _, seen := firsts[e.Role]; !seen && e.Text != "measure?" && e.Text != "read dc volts?" {
						firsts[e.Role] = e
					}
				}
				for _, role := range []string{bench.Bus, bench.Contacts, bench.Reference} {
					require.True(t, firsts[role].Urgent, "%s: first comes what waits for no answer, not %v", role, firsts[role])
				}
				require.Error(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 10}))
			})
		})
	}
}

// Every exchange of a make-safe is lost in turn, its command and its reply: the bench has to be safe and to say so.
func TestMakeSafeWithEachExchangeLostInTurn(t *testing.T) {
	for _, own := range []bool{false, true} {
		for loss, name := range map[benchtest.Loss]string{benchtest.Command: "command", benchtest.Reply: "reply", benchtest.Late: "late"} {
			total := exchangesOfMakeSafe(t, own)
			require.Greater(t, total, 10)
			for lost := 1; lost <= total; lost++ {
				t.Run(fmt.Sprintf("%s %d of %d, own connection %t", name, lost, total, own), func(t *testing.T) {
					synctest.Test(t, func(t *testing.T) {
						f := open(t, t.TempDir(), func(w *benchtest.World) { w.Own = own })
						f.live(t)
						pass(2 * time.Second)
						from := len(f.Sent())
						f.Fault = func(e benchtest.Exchange) benchtest.Loss {
							if e.Number == from+lost {
								return loss
							}
							return benchtest.None
						}
						got := f.MakeSafe(t.Context(), "sweep")
						require.True(t, got.Confirmed, "%+v", got.Outputs)
						isSafe(t, f)
						pass(5 * time.Second) // whatever was late has acted by now
						isSafe(t, f)
					})
				})
			}
		}
	}
}

func exchangesOfMakeSafe(t *testing.T, own bool) (total int) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), func(w *benchtest.World) { w.Own = own })
		f.live(t)
		from := len(f.Sent())
		require.True(t, f.MakeSafe(t.Context(), "count").Confirmed)
		total = len(f.Sent()) - from
	})
	return total
}

// Every exchange of bringing a bench up is lost in turn; then make-safe.
func TestSwitchingOnWithEachExchangeLostInTurnEndsSafe(t *testing.T) {
	var total int
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		from := len(f.Sent())
		f.live(t)
		total = len(f.Sent()) - from
	})
	for loss, name := range map[benchtest.Loss]string{benchtest.Command: "command", benchtest.Reply: "reply", benchtest.Late: "late"} {
		for lost := 1; lost <= total; lost++ {
			t.Run(fmt.Sprintf("%s %d of %d", name, lost, total), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					f := open(t, t.TempDir(), nil)
					from := len(f.Sent())
					f.Fault = func(e benchtest.Exchange) benchtest.Loss {
						if e.Number == from+lost {
							return loss
						}
						return benchtest.None
					}
					require.NoError(t, f.Begin(board))
					err := errors.Join(
						f.SwitchOn(t.Context(), bench.Output{Role: bench.Control, Voltage: 24}),
						f.Hall().Output(t.Context(), true),
						f.SwitchOn(t.Context(), bench.Output{Role: bench.Reference, Voltage: 1}),
						f.SetContact(t.Context(), "inhibit", false),
						f.SetContact(t.Context(), "enable", true),
						f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 90}))
					require.Error(t, err, "a lost exchange is noticed")
					require.True(t, f.MakeSafe(t.Context(), "sweep").Confirmed)
					isSafe(t, f)
					pass(5 * time.Second)
					isSafe(t, f)
				})
			})
		}
	}
}

func TestADeadInstrumentCostsTheOthersNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		f.live(t)
		f.Fault = func(e benchtest.Exchange) benchtest.Loss {
			if e.Role == bench.Reference {
				return benchtest.Command
			}
			return benchtest.None
		}
		done := make(chan bench.SafeResult, 1)
		go func() { done <- f.MakeSafe(t.Context(), "dead reference") }()
		pass(10 * time.Millisecond)
		require.False(t, f.On(bench.Bus), "off within one exchange, whatever the reference does")
		require.True(t, f.Contact("inhibit"))
		got := <-done
		require.False(t, got.Confirmed)
		for _, o := range got.Outputs {
			require.Equal(t, o.Name != bench.Reference, o.Confirmed, "%+v", o)
		}
		require.ErrorIs(t, f.Usable(), bench.ErrNotSafe)
		require.ErrorContains(t, f.Usable(), "reference")
	})
}

func TestASupplyThatLiesIsNotSafe(t *testing.T) {
	for _, tt := range []struct {
		name  string
		spoil func(*benchtest.Supply)
		want  string
	}{
		{"it ignores off and says so", func(s *benchtest.Supply) { s.Stuck = true }, "it says that its output is on"},
		{"it ignores off and says that it is off", func(s *benchtest.Supply) { s.Stuck, s.Lies = true, true }, "it says off but delivers 20 mA"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := open(t, t.TempDir(), nil)
				f.live(t)
				pass(2 * time.Second)
				f.Supply(bench.Bus, tt.spoil)
				got := f.MakeSafe(t.Context(), "trip")
				require.False(t, got.Confirmed)
				bad := bodies[event.Safety](f.log)
				require.False(t, bad[len(bad)-1].Confirmed)
				require.ErrorContains(t, f.Usable(), tt.want)
				require.False(t, f.Contact("bus_contactor"), "the contactor opens at once when the supply does not confirm off")
				require.False(t, f.Down().Down())
			})
		})
	}
}

// An ON that is on its way when the bench is made safe acts late, on the common connection, while make-safe has one of its own.
func TestAnONOnItsWayIsFenced(t *testing.T) {
	for _, own := range []bool{false, true} {
		for _, tt := range []struct {
			name                 string
			delay, lag, takesAll time.Duration
			dropped              []string
		}{
			{"an answer on the same connection shows that it was taken", 200 * time.Millisecond, 0, 300 * time.Millisecond, nil},
			{"no answer in time: the connection is closed and the output watched", 700 * time.Millisecond, 0, 300 * time.Millisecond, []string{bench.Bus}},
			{"it was answered but takes effect late", 0, 700 * time.Millisecond, time.Second, nil},
		} {
			t.Run(fmt.Sprintf("%s, own connection %t", tt.name, own), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					f := open(t, t.TempDir(), func(w *benchtest.World) {
						w.Own, w.Patient, w.Delay, w.Lag, w.Effect = own, 3*time.Second, tt.delay, tt.lag, tt.takesAll
					})
					require.NoError(t, f.Begin(board))
					f.Fault = func(e benchtest.Exchange) benchtest.Loss {
						if e.Role == bench.Bus && e.Text == "output on" {
							return map[bool]benchtest.Loss{true: benchtest.Late, false: benchtest.None}[tt.delay > 0]
						}
						return benchtest.None
					}
					switched := make(chan error, 1)
					go func() { switched <- f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 90}) }()
					require.Eventually(t, func() bool {
						sent := f.Sent()
						return sent[len(sent)-1].Text == "output on"
					}, time.Second, time.Millisecond)
					pass(6 * time.Millisecond)
					got := f.MakeSafe(t.Context(), "trip while an ON is on its way")
					require.ErrorIs(t, <-switched, bench.ErrMadeSafe)
					require.True(t, got.Confirmed, "%+v", got.Outputs)
					require.False(t, f.On(bench.Bus))
					if own { // else the OFF's own answer, behind the ON, shows that both were taken
						require.Equal(t, tt.dropped, f.Dropped())
					}
					pass(3 * time.Second)
					require.False(t, f.On(bench.Bus), "nothing came after the OFF was read back")
				})
			})
		}
	}
}

// Commands race with make-safe at every instant of switching on: whoever wins, the bus ends off.
func TestSetpointsRacingWithMakeSafeLose(t *testing.T) {
	for step := range 80 {
		delay, deaf := time.Duration(step/2)*1500*time.Microsecond, step%2 == 1 // a deaf exchange goes on when its caller was stopped
		synctest.Test(t, func(t *testing.T) {
			f := open(t, t.TempDir(), func(w *benchtest.World) { w.Own, w.Deaf = true, deaf })
			require.NoError(t, f.Begin(board))
			var wg sync.WaitGroup
			wg.Go(func() { _ = f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 90}) })
			wg.Go(func() { _ = f.SwitchOn(t.Context(), bench.Output{Role: bench.Reference, Voltage: 5}) })
			pass(delay)
			first := make(chan bench.SafeResult, 1)
			go func() { first <- f.MakeSafe(t.Context(), "one") }()
			second := f.MakeSafe(t.Context(), "two")
			require.True(t, second.Confirmed)
			require.Equal(t, second, <-first, "the later caller joins")
			wg.Wait()
			pass(time.Second)
			require.False(t, f.On(bench.Bus), "delay %v, deaf %t", delay, deaf)
			f.Supply(bench.Reference, func(s *benchtest.Supply) { require.Zero(t, s.Voltage) })
		})
	}
}

// A command that had passed every check when the bench was made safe, and does not notice that it was stopped, goes out last:
// make-safe believes no reading that was taken before the command's turn was over.
func TestACommandThatHadItsTurnCannotActAfterMakeSafe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), func(w *benchtest.World) { w.Own = true })
		require.NoError(t, f.Begin(board))
		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Reference, Voltage: 1}))
		f.Change(func(w *benchtest.World) { w.Deaf = true })
		f.guard.onSet = func(quantity.Volts) { <-time.After(400 * time.Millisecond) } // the last thing before it is sent
		done := make(chan error, 1)
		go func() { done <- f.SetVoltage(t.Context(), bench.Reference, 5) }()
		synctest.Wait()
		got := f.MakeSafe(t.Context(), "trip")
		<-done
		require.True(t, got.Confirmed)
		pass(time.Second)
		f.Supply(bench.Reference, func(s *benchtest.Supply) { require.Zero(t, s.Voltage) })
	})
}

func TestMakeSafeGoesOnWhenItsCallerGivesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		f.live(t)
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		require.True(t, f.MakeSafe(ctx, "interrupted").Confirmed)
		isSafe(t, f)
	})
}

func TestHallsAndControlGoOffOnceTheBusIsDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		f.polled(t)
		f.live(t)
		require.NoError(t, f.SetContact(t.Context(), "bus_contactor", true))
		pass(2 * time.Second)
		f.MakeSafe(t.Context(), "trip")
		require.True(t, f.On(bench.Control))
		require.True(t, f.Contact("bus_contactor"), "the contactor waits for the bus")
		_, err := f.AwaitDown(t.Context(), 20*time.Second)
		require.NoError(t, err)
		require.Equal(t, event.MeasuredDown, f.Down().State, f.Down().Why)
		pass(time.Second)
		require.False(t, f.On(bench.Control))
		require.False(t, f.HallOn())
		require.False(t, f.Contact("bus_contactor"))
		last := bodies[event.Safety](f.log)
		require.Equal(t, "the bus is down", last[len(last)-1].Cause)
		require.True(t, last[len(last)-1].Confirmed)
	})
}

func TestAControlSupplyThatCausedTheTrip(t *testing.T) {
	for _, tt := range []struct {
		name         string
		fitted       bool
		after, later bool // on right after make-safe; on after the control hold
	}{
		{"goes off at once where no devices are fitted", false, false, false},
		{"stays for the control hold where they are", true, true, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := open(t, t.TempDir(), nil)
				f.polled(t)
				stage := board
				stage.Fitted = tt.fitted
				require.NoError(t, f.Begin(stage))
				require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Control, Voltage: 24}))
				require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 90}))
				pass(time.Second)
				got := f.MakeSafeFor(t.Context(), "control current", bench.Control)
				require.True(t, got.Confirmed)
				require.Equal(t, tt.after, f.On(bench.Control))
				pass(1300 * time.Millisecond)
				require.Equal(t, tt.later, f.On(bench.Control))
				require.False(t, f.Down().Down(), "the bus is still charged: only the hold was over")
			})
		})
	}
}

func TestTheGuardHearsThatMakeSafeTookAnOutputDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		require.NoError(t, f.Begin(board))
		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 60, Current: 0.2}))
		require.True(t, f.MakeSafe(t.Context(), "stop").Confirmed)
		down := "bus from 60 V to 0 V at 200 mA"
		require.Equal(t, down, f.guard.told[len(f.guard.told)-1])
		require.True(t, f.MakeSafe(t.Context(), "once more").Confirmed)
		require.Len(t, f.guard.told, 2, "what was off before is no fall")
	})
}

func TestTheGuardDoesNotHearOfAnOffThatNobodyConfirmed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), nil)
		require.NoError(t, f.Begin(board))
		require.NoError(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 60, Current: 0.2}))
		f.Supply(bench.Bus, func(s *benchtest.Supply) { s.Stuck = true })
		require.False(t, f.MakeSafe(t.Context(), "stop").Confirmed)
		require.NotContains(t, f.guard.told, "bus from 60 V to 0 V at 200 mA")
	})
}

// Who has read what is too much sends OFF before anything else is done; an instrument that would make it wait gets its own a moment
// later, and holds up nobody.
func TestWhatCanLeaveNowLeavesAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := open(t, t.TempDir(), func(w *benchtest.World) { w.Jammed = map[string]bool{bench.Reference: true} })
		f.live(t)
		before := len(f.Sent())
		urgent := func() (roles []string) {
			for _, e := range f.Sent()[before:] {
				if e.Urgent {
					roles = append(roles, e.Role)
				}
			}
			return roles
		}
		began := time.Now()
		rest := f.StartSafe("too much", "")
		require.Zero(t, time.Since(began))
		require.ElementsMatch(t, []string{bench.Bus, bench.Contacts}, urgent(), "supply off and the drive inhibited")
		require.ErrorIs(t, f.SwitchOn(t.Context(), bench.Output{Role: bench.Bus, Voltage: 10}), bench.ErrMadeSafe, "nothing comes on any more")

		got := rest(t.Context(), "over-voltage at 104 V")
		require.True(t, got.Confirmed, "%+v", got.Outputs)
		require.Equal(t, "over-voltage at 104 V", got.Cause)
		require.ElementsMatch(t, []string{bench.Bus, bench.Contacts, bench.Contacts, bench.Reference}, urgent(), "each once, and then the contactor")
		isSafe(t, f)
	})
}
