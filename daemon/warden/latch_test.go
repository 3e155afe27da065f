package warden

import (
	"context"
	"fmt"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

func TestTheFirstTripStandsAndIsMadeSafeOnce(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.saving = 3 * time.Second
		s.arm(NewLimit("bus.voltage", High, volts(90), origin), NewLimit("bus.current", Settled, amperes(1), origin))
		s.reads("bus.voltage", volts(100))
		first := *s.Tripped()
		for range 20 { // readings between latch and the end of make-safe
			s.reads("bus.voltage", volts(200))
			s.reads("bus.current", amperes(9))
			s.pass(period)
		}
		s.Trip(event.Trip{Cause: "stop"})
		s.LinkLost("bus", context.Canceled)
		require.Equal(t, first, *s.Tripped())
		s.pass(5 * time.Second)
		require.Equal(t, []event.Trip{first}, s.trips())
		var told []event.Trip
		for _, b := range s.bodies() {
			if trip, ok := b.(event.Trip); ok {
				told = append(told, trip)
			}
		}
		require.Equal(t, []event.Trip{first}, told)
	})
}

func TestATripWhileNothingIsArmedIsMadeSafeToo(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.Trip(event.Trip{Cause: "a person's stop", Text: "pedal"})
		synctest.Wait()
		require.Len(t, s.trips(), 1)
		require.ErrorIs(t, s.Arm("run-1", withAges(NewLimit("bus.voltage", High, volts(90), origin))), ErrTripped)
	})
}

func TestATripIsMadeSafeEvenWhenTheWardenIsBeingStopped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStand(t)
		s.saving = time.Second
		ctx, stop := context.WithCancel(t.Context())
		s.Trip(event.Trip{Cause: "a person's stop"})
		stop()
		require.NoError(t, s.Run(ctx))
		require.Len(t, s.trips(), 1, "Run returns only after make-safe")
		require.ErrorIs(t, s.Ready(), ErrTripped)
	})
}

func TestReady(t *testing.T) {
	limits := withAges(NewLimit("bus.voltage", High, volts(90), origin))
	t.Run("refuses when it is not armed", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			require.ErrorIs(t, s.Ready(), ErrNotArmed)
			require.NoError(t, s.Arm("run-1", nil))
			require.ErrorIs(t, s.Ready(), ErrNotArmed, "no limits are no supervision")
		})
	})
	t.Run("refuses until there is a fresh reading of everything watched", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			require.NoError(t, s.Arm("run-1", limits))
			require.ErrorIs(t, s.Ready(), ErrBlind)
			s.reads("bus.current", amperes(0))
			require.ErrorIs(t, s.Ready(), ErrBlind)
			s.reads("bus.voltage", volts(0))
			require.NoError(t, s.Ready())
		})
	})
	t.Run("counts readings from before the run", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.reads("bus.voltage", volts(0))
			require.NoError(t, s.Arm("run-1", limits))
			require.NoError(t, s.Ready())
		})
	})
	t.Run("refuses when disarmed", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			require.NoError(t, s.Arm("run-1", limits))
			s.Disarm()
			require.ErrorIs(t, s.Ready(), ErrNotArmed)
		})
	})
	t.Run("refuses when its loop never ran, and when it has ended", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			s := newStand(t)
			require.NoError(t, s.Arm("run-1", limits))
			s.reads("bus.voltage", volts(0))
			require.ErrorIs(t, s.Ready(), ErrAsleep)
			ctx, stop := context.WithCancel(t.Context())
			ended := make(chan error, 1)
			go func() { ended <- s.Run(ctx) }()
			synctest.Wait()
			require.NoError(t, s.Ready())
			stop()
			require.NoError(t, <-ended)
			require.ErrorIs(t, s.Ready(), ErrAsleep)
		})
	})
	t.Run("refuses when its loop hangs", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			require.NoError(t, s.Arm("run-1", limits))
			s.reads("bus.voltage", volts(0))
			s.heartbeat(time.Now().Add(-sleepTicks*tick - time.Millisecond))
			require.ErrorIs(t, s.Ready(), ErrAsleep)
			s.heartbeat(time.Now().Add(-sleepTicks * tick))
			require.NoError(t, s.Ready())
		})
	})
}

func TestAwaitReady(t *testing.T) {
	limits := []Limit{
		NewLimit("bus.voltage", High, volts(90), origin), NewLimit("bus.voltage", Age, secs(0.3), origin),
	}
	t.Run("ends with the first reading", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			require.NoError(t, s.Arm("run-1", limits))
			time.AfterFunc(150*time.Millisecond, func() {
				s.Feed(event.Reading{Name: "bus.voltage", Value: volts(0), Asked: time.Now(), Arrived: time.Now()})
			})
			began := time.Now()
			require.NoError(t, s.AwaitReady(s.t.Context()))
			require.Less(t, time.Since(began), 200*time.Millisecond)
		})
	})
	t.Run("ends with the trip when no reading comes", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			require.NoError(t, s.Arm("run-1", limits))
			require.ErrorIs(t, s.AwaitReady(s.t.Context()), ErrTripped)
		})
	})
	t.Run("ends with its context", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			require.NoError(t, s.Arm("run-1", limits))
			ctx, cancel := context.WithTimeout(s.t.Context(), 100*time.Millisecond)
			defer cancel()
			err := s.AwaitReady(ctx)
			require.ErrorIs(t, err, context.DeadlineExceeded)
			require.ErrorIs(t, err, ErrBlind)
		})
	})
}

func TestReset(t *testing.T) {
	limits := withAges(NewLimit("bus.voltage", High, volts(90), origin), NewLimit("bus.current", Settled, amperes(1), origin))
	t.Run("needs a name and a trip", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			require.Error(t, s.Reset("Ines"), "no trip stands")
			s.Trip(event.Trip{Cause: "stop"})
			synctest.Wait()
			require.Error(t, s.Reset(" "))
			require.NotNil(t, s.Tripped())
			require.NoError(t, s.Reset("Ines"))
			require.Nil(t, s.Tripped())
			require.Contains(t, s.bodies(), event.TripReset{By: "Ines"})
		})
	})
	t.Run("waits for make-safe to end", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.saving = time.Second
			s.Trip(event.Trip{Cause: "stop"})
			synctest.Wait()
			require.ErrorContains(t, s.Reset("Ines"), "still being made safe")
			require.NotNil(t, s.Tripped())
			s.pass(time.Second)
			require.NoError(t, s.Reset("Ines"))
		})
	})
	t.Run("permits a new run, not the one that tripped", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			require.NoError(t, s.Arm("run-1", limits))
			s.reads("bus.current", amperes(0))
			s.reads("bus.voltage", volts(100))
			require.NoError(t, s.Reset("Ines"))
			s.reads("bus.voltage", volts(0))
			require.ErrorIs(t, s.Ready(), ErrNotArmed)
			require.ErrorContains(t, s.Arm("run-2", limits), "none is moved while a run goes on")
			s.Disarm()
			require.NoError(t, s.Arm("run-2", limits))
			require.NoError(t, s.Ready())
		})
	})
	t.Run("works after a make-safe that took longer than the heartbeat may stay away", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.saving = 100 * sleepTicks * tick
			s.Trip(event.Trip{Cause: "stop"})
			s.pass(s.saving)
			require.NoError(t, s.Reset("Ines"))
			require.NoError(t, s.Arm("run-2", limits))
			s.reads("bus.current", amperes(0))
			s.reads("bus.voltage", volts(0))
			require.NoError(t, s.Ready())
		})
	})
	t.Run("goes on watching, and a next trip is made safe again", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			require.NoError(t, s.Arm("run-1", limits))
			for i := range 5 {
				s.reads("bus.voltage", volts(100))
				require.Len(t, s.trips(), i+1)
				require.NoError(t, s.Reset("Ines"))
			}
		})
	})
	t.Run("forgets the readings that led to the trip", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			require.NoError(t, s.Arm("run-1", limits))
			s.reads("bus.current", amperes(2))
			s.reads("bus.current", amperes(2))
			require.NoError(t, s.Reset("Ines"))
			s.reads("bus.current", amperes(0))
			require.Nil(t, s.Tripped())
		})
	})
}

func TestArm(t *testing.T) {
	age := NewLimit("bus.voltage", Age, secs(0.3), origin)
	tests := []struct {
		name  string
		limit Limit
		want  string
	}{
		{"NaN", NewLimit("bus.voltage", High, volts(math.NaN()), origin), "cannot be a limit"},
		{"infinite", NewLimit("bus.voltage", High, volts(math.Inf(1)), origin), "cannot be a limit"},
		{"negative", NewLimit("bus.voltage", High, volts(-1), origin), "cannot be a limit"},
		{"without origin", NewLimit("bus.voltage", High, volts(90), ""), "where it comes from"},
		{"without a name", NewLimit("", High, volts(90), origin), "what it limits"},
		{"of no kind", NewLimit("bus.voltage", "hihg", volts(90), origin), "no such kind"},
		{"three of two", Limit{Quantity: "bus.voltage", Kind: High, Value: volts(90), N: 3, M: 2, Origin: origin}, "no persistence"},
		{"none of none", Limit{Quantity: "bus.voltage", Kind: High, Value: volts(90), Origin: origin}, "no persistence"},
		{"an age in volts", NewLimit("bus.voltage", Age, volts(3), origin), "no time"},
		{"a reading without an age", NewLimit("bus.current", Settled, amperes(1), origin), "how old"},
	}
	for _, tt := range tests {
		t.Run(tt.name+" is refused and leaves nothing armed", func(t *testing.T) {
			s := newStand(t)
			require.ErrorContains(t, s.Arm("run-1", []Limit{age, tt.limit}), tt.want)
			require.ErrorIs(t, s.Ready(), ErrNotArmed)
			require.Empty(t, s.bodies())
		})
	}
	t.Run("an output that is still on keeps its set value over a new run", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			limit := NewLimit("control.voltage", SetValue, volts(2), "above the set value")
			s.arm(limit)
			s.Setpoint("control", 0, 24, 0)
			s.Disarm()
			s.arm(limit)
			s.reads("control.voltage", volts(27))
			require.NotNil(t, s.Tripped())
			require.Equal(t, event.OverVoltage, s.Tripped().Cause)
		})
	})
	t.Run("tells the limits in force", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			require.NoError(t, s.Arm("run-1", []Limit{age}))
			require.Equal(t, []event.Body{event.Limits{Limits: []event.Limit{
				{Quantity: "bus.voltage", Kind: "age", Value: secs(0.3), N: 1, M: 1, Origin: origin},
			}}}, s.bodies())
		})
	})
}

func TestTighten(t *testing.T) {
	high := NewLimit("bus.voltage", High, volts(90), origin)
	inForce := func(s *stand) quantity.Value {
		v, _ := s.limits[0].effective()
		return v
	}
	t.Run("trips at the tightened value and says that a script tightened it", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.arm(high)
			_, err := s.Tighten("bus.voltage", volts(50))
			require.NoError(t, err)
			s.reads("bus.voltage", volts(50))
			require.Nil(t, s.Tripped())
			s.reads("bus.voltage", volts(50.1))
			require.Equal(t, "bus.voltage is 50.1 V, the limit is 50 V, high, 1 of 1 readings "+
				"(tightened by the script from 90 V, family heron, stage board)", s.Tripped().Text)
			require.Equal(t, volts(50), s.Tripped().Limit.Value)
		})
	})
	t.Run("only tighter", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.arm(high, NewLimit("bus.mode", ConstantCurrent, none(), origin))
			for _, v := range []quantity.Value{volts(90.1), volts(math.NaN()), volts(math.Inf(1)), volts(-1), amperes(1)} {
				_, err := s.Tighten("bus.voltage", v)
				require.Error(t, err, "%v", v)
			}
			for _, name := range []string{"bus.current", "bus.mode", "bus"} {
				_, err := s.Tighten(name, volts(1))
				require.ErrorContains(t, err, "no limit of that name")
			}
			require.Equal(t, volts(90), inForce(s))
			_, err := s.Tighten("bus.voltage", volts(50))
			require.NoError(t, err)
			_, err = s.Tighten("bus.voltage", volts(60))
			require.ErrorContains(t, err, "a script can only tighten")
			require.Equal(t, volts(50), inForce(s))
		})
	})
	t.Run("a value that loosens one of two limits touches neither", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			lower := NewLimit("bus.voltage", High, volts(70), "ceiling of bench quay")
			s.arm(high, lower)
			_, err := s.Tighten("bus.voltage", volts(80))
			require.Error(t, err)
			require.Equal(t, volts(90), inForce(s))
		})
	})
	t.Run("restored exactly, in every order", func(t *testing.T) {
		values := []float64{80, 70, 60}
		orders := [][]int{{0, 1, 2}, {0, 2, 1}, {1, 0, 2}, {1, 2, 0}, {2, 0, 1}, {2, 1, 0}}
		for _, order := range orders {
			t.Run(fmt.Sprint(order), func(t *testing.T) {
				inBubble(t, func(s *stand) {
					s.arm(high)
					standing := map[int]float64{}
					restore := make([]func(), len(values))
					for i, v := range values {
						var err error
						restore[i], err = s.Tighten("bus.voltage", volts(v))
						require.NoError(t, err)
						standing[i] = v
					}
					for _, i := range order {
						restore[i]()
						restore[i]() // twice is once
						delete(standing, i)
						want := 90.0
						for _, v := range standing {
							want = min(want, v)
						}
						require.Equal(t, volts(want), inForce(s))
						told := s.bodies()
						require.Equal(t, volts(want), told[len(told)-1].(event.Limits).Limits[0].Value)
					}
				})
			})
		}
	})
	t.Run("a restore that comes after its run changes nothing in the next", func(t *testing.T) {
		inBubble(t, func(s *stand) {
			s.arm(high)
			restore, err := s.Tighten("bus.voltage", volts(50))
			require.NoError(t, err)
			s.Disarm()
			s.arm(high)
			require.Equal(t, volts(90), inForce(s), "a new run begins with its own limits")
			told := len(s.bodies())
			restore()
			require.Len(t, s.bodies(), told)
		})
	})
}

func BenchmarkFeed(b *testing.B) {
	w := New(Config{Bench: "quay", Sink: event.SinkFunc(func(event.Event) {}), Tick: tick})
	limits := withAges(NewLimit("bus.voltage", High, volts(90), origin), NewLimit("bus.voltage", SetValue, volts(2), origin),
		NewLimit("bus.current", Settled, amperes(1), origin), NewLimit("bus.mode", ConstantCurrent, none(), origin))
	if err := w.Arm("run-1", limits); err != nil {
		b.Fatal(err)
	}
	w.Setpoint("bus", 0, 72, 0)
	r := event.Reading{Name: "bus.voltage", Value: volts(72)}
	b.ReportAllocs()
	for b.Loop() {
		r.Asked = time.Now()
		w.Feed(r)
	}
}

func TestAReadingThatTripsHasSentTheSafeStateWhenItReturns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var started []string
		finished := make(chan event.Trip, 1)
		w := New(Config{Bench: "quay", Sink: event.SinkFunc(func(event.Event) {}), Tick: tick, MakeSafe: func(role string) func(event.Trip) {
			started = append(started, role)
			return func(trip event.Trip) { finished <- trip }
		}})
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- w.Run(ctx) }()
		synctest.Wait()
		require.NoError(t, w.Arm("run-1", withAges(NewLimit("bus.voltage", High, volts(90), origin))))
		reading := event.Reading{Name: "bus.voltage", Value: volts(91), Asked: time.Now(), Arrived: time.Now()}
		w.Feed(reading)
		require.Equal(t, []string{"bus"}, started, "before anybody else had its turn")
		require.NotNil(t, w.Tripped())
		require.Equal(t, event.OverVoltage, w.Tripped().Cause)
		w.Feed(reading)
		require.Len(t, started, 1, "once a trip")
		require.Equal(t, event.OverVoltage, (<-finished).Cause)
		synctest.Wait()
		require.NoError(t, w.Reset("Ann"))
		stop()
		require.NoError(t, <-ended)
	})
}
