package warden

import (
	"context"
	"errors"
	"math"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

const (
	tick   = 20 * time.Millisecond
	period = 100 * time.Millisecond
	origin = "family heron, stage board"
)

// stand is a warden with what it told and what it made safe, all in virtual time.
type stand struct {
	*Warden
	t *testing.T

	mu     sync.Mutex
	told   []event.Body
	made   []event.Trip
	saving time.Duration // how long make-safe takes
}

// inBubble runs a test around a running warden.
func inBubble(t *testing.T, test func(*stand)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		s := newStand(t)
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- s.Run(ctx) }()
		synctest.Wait()
		test(s)
		stop()
		require.NoError(t, <-ended)
	})
}

func newStand(t *testing.T) *stand {
	s := &stand{t: t}
	sink := event.SinkFunc(func(e event.Event) {
		s.mu.Lock()
		defer s.mu.Unlock()
		require.Equal(t, "quay", e.Bench)
		s.told = append(s.told, e.Body)
	})
	s.Warden = New(Config{Bench: "quay", Sink: sink, Tick: tick, MakeSafe: func(string) func(event.Trip) {
		return func(trip event.Trip) {
			require.NotNil(t, s.Tripped(), "latched before the bench counts as safe")
			<-time.After(s.saving)
			s.mu.Lock()
			defer s.mu.Unlock()
			s.made = append(s.made, trip)
		}
	}})
	return s
}

// arm arms with an age limit for every reading that the limits watch.
func (s *stand) arm(limits ...Limit) {
	s.t.Helper()
	require.NoError(s.t, s.Arm("run-1", withAges(limits...)))
}

func withAges(limits ...Limit) []Limit {
	aged := map[string]bool{}
	all := limits
	for _, l := range limits {
		if l.needsAge() && !aged[l.Quantity] {
			aged[l.Quantity] = true
			all = append(all, NewLimit(l.Quantity, Age, quantity.Seconds(60).Value(), "3 periods of bench quay"))
		}
	}
	return all
}

// reads feeds a reading that was asked for just now.
func (s *stand) reads(name string, v quantity.Value) { s.feed(name, v, "") }

func (s *stand) says(name, text string) { s.feed(name, quantity.Value{Unit: quantity.One}, text) }

func (s *stand) feed(name string, v quantity.Value, text string) {
	now := time.Now()
	s.Feed(event.Reading{Name: name, Value: v, Text: text, Asked: now, Arrived: now, Instrument: roleOf(name)})
	synctest.Wait()
}

// pass lets virtual time pass.
func (s *stand) pass(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

func (s *stand) trips() []event.Trip {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]event.Trip(nil), s.made...)
}

func (s *stand) bodies() []event.Body {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]event.Body(nil), s.told...)
}

func volts(v float64) quantity.Value   { return quantity.Volts(v).Value() }
func amperes(a float64) quantity.Value { return quantity.Amperes(a).Value() }
func secs(x float64) quantity.Value    { return quantity.Seconds(x).Value() }
func none() quantity.Value             { return quantity.Value{Unit: quantity.One} }

// happens is one thing that happens at the bench.
type happens func(*stand)

func reads(name string, values ...quantity.Value) happens {
	return func(s *stand) {
		for _, v := range values {
			s.reads(name, v)
			s.pass(period)
		}
	}
}

// beside reads a meter between two readings of its supply, once each value.
func beside(supply float64, meter ...float64) happens {
	return func(s *stand) {
		for _, v := range meter {
			reads("bus.voltage", volts(supply))(s)
			reads("bus_meter.voltage", volts(v))(s)
		}
		reads("bus.voltage", volts(supply))(s)
	}
}

func says(name string, texts ...string) happens {
	return func(s *stand) {
		for _, text := range texts {
			s.says(name, text)
			s.pass(period)
		}
	}
}

func set(role string, from, to quantity.Volts, settle time.Duration) happens {
	return func(s *stand) { s.Setpoint(role, from, to, settle) }
}

func waitsFor(d time.Duration) happens {
	return func(s *stand) {
		over := s.Wait()
		s.pass(d)
		over()
		over() // once more says nothing
	}
}

func after(d time.Duration) happens { return func(s *stand) { s.pass(d) } }

func unanswered(name string, times int) happens {
	return func(s *stand) {
		for range times {
			s.Feed(event.Reading{Name: name, Error: "no answer", Asked: time.Now(), Arrived: time.Now()})
			s.pass(period)
		}
	}
}

func TestCauses(t *testing.T) {
	high := NewLimit("bus.voltage", High, volts(90), origin)
	above := NewLimit("bus.voltage", SetValue, volts(2), "above the set value")
	meterAbove := NewLimit("bus_meter.voltage", SetValue, volts(2), "above the set value")
	settled := NewLimit("bus.current", Settled, amperes(0.1), origin)
	cc := NewLimit("bus.mode", ConstantCurrent, none(), origin)
	age := NewLimit("bus.voltage", Age, secs(0.3), "3 periods of 100 ms of bench quay")
	lasts := NewLimit("run", RunTime, secs(60), origin)
	collapse := NewLimit("bus.voltage", Collapse, volts(18), origin)
	power := NewLimit("bus.current", Power, quantity.Watts(30).Value(), "ceiling of bench quay")
	apart := NewLimit("bus_meter.voltage", Apart, volts(2), "bench quay")
	interlock := NewLimit("interlock", Interlock, none(), "bench quay")
	protection := NewLimit("bus.protection", Protection, none(), "bench quay")
	rampTime := NewLimit("bus.voltage", RampTime, secs(10), origin)
	rampEnergy := NewLimit("bus.current", RampEnergy, quantity.Joules(40).Value(), origin)
	hot := NewLimit("temperature.value", High, quantity.Celsius(80).Value(), origin)
	degrees := func(x float64) quantity.Value { return quantity.Celsius(x).Value() }
	gives := func(v, a float64, n int) happens { // once a second
		return func(s *stand) {
			for range n {
				s.reads("bus.voltage", volts(v))
				s.reads("bus.current", amperes(a))
				s.pass(time.Second)
			}
		}
	}
	tests := []struct {
		name  string
		limit Limit
		what  []happens
		cause string // empty: it must not trip
	}{
		{"a bus that is on its way up for longer than its time trips", rampTime, []happens{set("bus", 0, 40, 0), gives(20, 1, 11)}, event.RampTime},
		{"several steps are one ramp", rampTime, []happens{set("bus", 0, 20, 0), gives(20, 1, 4), set("bus", 20, 40, 0), gives(39, 1, 4), set("bus", 40, 60, 0), gives(30, 1, 3)}, event.RampTime},
		{"a bus that arrives in its time and stays stays", rampTime, []happens{set("bus", 0, 40, 0), gives(20, 1, 4), gives(39, 0.1, 30)}, ""},
		{"each rest ends a ramp", rampTime, []happens{set("bus", 0, 20, 0), gives(20, 1, 7), set("bus", 20, 40, 0), gives(40, 1, 7)}, ""},
		{"a bus that goes down is on no way up", rampTime, []happens{set("bus", 0, 40, 0), gives(20, 1, 5), set("bus", 40, 0, 0), gives(5, 0, 20)}, ""},
		{"more energy than a good drive takes on its way up trips", rampEnergy, []happens{set("bus", 0, 40, 0), gives(20, 1, 5)}, event.RampEnergy},
		{"just that energy stays", rampEnergy, []happens{set("bus", 0, 40, 0), gives(20, 0.4, 6)}, ""},
		{"what is drawn once it has arrived is no energy of the ramp", rampEnergy, []happens{set("bus", 0, 40, 0), gives(39, 0.1, 30)}, ""},
		{"three of five temperatures above the limit trip", hot, []happens{reads("temperature.value", degrees(80.1), degrees(79), degrees(80.1), degrees(79), degrees(80.1))}, event.OverTemperature},
		{"two of five stay", hot, []happens{reads("temperature.value", degrees(80.1), degrees(79), degrees(80.1), degrees(79), degrees(80), degrees(80.1), degrees(79), degrees(80.1))}, ""},
		{"over-voltage trips at the first reading", high, []happens{reads("bus.voltage", volts(90.001))}, event.OverVoltage},
		{"exactly at the voltage limit stays", high, []happens{reads("bus.voltage", volts(90), volts(90), volts(90))}, ""},
		{"another quantity above the figure is no business of the limit", high, []happens{reads("bus_meter.voltage", volts(91))}, ""},
		{"a step under way excuses no voltage above the stage's limit", high,
			[]happens{set("bus", 0, 90, time.Minute), reads("bus.voltage", volts(90.1))}, event.OverVoltage},
		{"not a number trips", high, []happens{reads("bus.voltage", volts(math.NaN()))}, event.UnreadableReading},
		{"infinity trips", high, []happens{reads("bus.voltage", volts(math.Inf(1)))}, event.UnreadableReading},
		{"minus infinity trips", high, []happens{reads("bus.voltage", volts(math.Inf(-1)))}, event.UnreadableReading},
		{"amperes cannot be compared with volts and trip", high, []happens{reads("bus.voltage", amperes(1))}, event.UnreadableReading},

		{"2 V above a low set value trips", above, []happens{set("bus", 0, 20, 0), reads("bus.voltage", volts(22.01))}, event.OverVoltage},
		{"just inside 2 V above a low set value stays", above, []happens{set("bus", 0, 20, 0), reads("bus.voltage", volts(21.99))}, ""},
		{"5 % above a high set value trips", above, []happens{set("bus", 0, 80, 0), reads("bus.voltage", volts(84.01))}, event.OverVoltage},
		{"just inside 5 % above a high set value stays", above, []happens{set("bus", 0, 80, 0), reads("bus.voltage", volts(83.99))}, ""},
		{"the bus meter is held against the bus's set value", meterAbove,
			[]happens{set("bus", 0, 20, 0), reads("bus_meter.voltage", volts(22.01))}, event.OverVoltage},
		{"what was never set has no set value", above, []happens{reads("bus.voltage", volts(50))}, ""},
		{"after a step down the old value holds while the bus has time to follow", above,
			[]happens{set("bus", 0, 80, 0), set("bus", 80, 20, 2*time.Second), after(1900 * time.Millisecond), reads("bus.voltage", volts(79))}, ""},
		{"a bus that has not followed in its time trips", above,
			[]happens{set("bus", 0, 80, 0), set("bus", 80, 20, 2*time.Second), after(2 * time.Second), reads("bus.voltage", volts(22.01))}, event.OverVoltage},
		{"while a step down is under way the old value is the limit", above,
			[]happens{set("bus", 0, 80, 0), set("bus", 80, 20, 2*time.Second), reads("bus.voltage", volts(84.01))}, event.OverVoltage},
		{"two steps down in a row both have their time", above,
			[]happens{set("bus", 0, 80, 0), set("bus", 80, 60, 2*time.Second), after(time.Second), set("bus", 60, 20, time.Second),
				reads("bus.voltage", volts(79))}, ""},
		{"the first of two steps down gets no more time by the second", above,
			[]happens{set("bus", 0, 80, 0), set("bus", 80, 60, time.Second), set("bus", 60, 20, 10*time.Second), after(time.Second),
				reads("bus.voltage", volts(63.01))}, event.OverVoltage},
		{"a step up while the bus still falls takes no time from the fall", above,
			[]happens{set("bus", 0, 80, 0), set("bus", 80, 0, 2*time.Second), set("bus", 0, 24, time.Second), reads("bus.voltage", volts(70))}, ""},
		{"an output that was switched off and stays up trips", NewLimit("control.voltage", SetValue, volts(2), "above the set value"),
			[]happens{set("control", 0, 24, 0), set("control", 24, 0, time.Second), after(time.Second), reads("control.voltage", volts(24))}, event.OverVoltage},
		{"the set value of another supply is no limit", above, []happens{set("control", 0, 24, 0), reads("bus.voltage", volts(30))}, ""},

		{"two of three readings above the current trip", settled, []happens{reads("bus.current", amperes(0.11), amperes(0.09), amperes(0.11))}, event.OverCurrent},
		{"one of three above the current stays", settled,
			[]happens{reads("bus.current", amperes(0.11), amperes(0.09), amperes(0.09), amperes(0.11), amperes(0.1))}, ""},
		{"a charging capacitor may take current", settled,
			[]happens{set("bus", 0, 40, time.Second), reads("bus.current", amperes(1), amperes(1), amperes(1), amperes(1))}, ""},
		{"current after the step had its time trips", settled,
			[]happens{set("bus", 0, 40, time.Second), after(time.Second), reads("bus.current", amperes(1), amperes(1))}, event.OverCurrent},
		{"a step of another supply excuses nothing", settled,
			[]happens{set("control", 0, 24, time.Minute), reads("bus.current", amperes(1), amperes(1))}, event.OverCurrent},
		{"a step down gives no time for current", settled,
			[]happens{set("bus", 40, 20, time.Minute), reads("bus.current", amperes(1), amperes(1))}, event.OverCurrent},
		{"a short step up does not cut a longer one short", settled,
			[]happens{set("bus", 0, 40, time.Minute), set("bus", 40, 41, 0), reads("bus.current", amperes(1), amperes(1))}, ""},
		{"readings from before the step do not count after it", settled,
			[]happens{reads("bus.current", amperes(1)), set("bus", 0, 40, time.Second), reads("bus.current", amperes(1)), after(time.Second),
				reads("bus.current", amperes(1), amperes(0.01))}, ""},

		{"constant current, three of four after the step's time, trips", cc,
			[]happens{set("bus", 0, 40, time.Second), after(time.Second), says("bus.mode", "CC", "CC", "CV", "CC")}, event.ConstantCurrent},
		{"two of four in constant current stays", cc,
			[]happens{set("bus", 0, 40, time.Second), after(time.Second), says("bus.mode", "CC", "CC", "CV", "CV", "CC", "CC", "CV", "CV")}, ""},
		{"constant current during the step stays", cc,
			[]happens{set("bus", 0, 40, time.Second), says("bus.mode", "CC", "CC", "CC", "CC", "CC", "CC")}, ""},
		{"constant current without any step trips", cc, []happens{says("bus.mode", "CC", "CC", "CC")}, event.ConstantCurrent},

		{"a reading that stops coming trips", age, []happens{reads("bus.voltage", volts(1)), after(300 * time.Millisecond)}, event.StaleReading},
		{"a reading just inside its age stays", age,
			[]happens{reads("bus.voltage", volts(1)), after(180 * time.Millisecond), reads("bus.voltage", volts(1)), after(180 * time.Millisecond)}, ""},
		{"the age counts from sending the question, not from the answer", age, []happens{func(s *stand) {
			for range 3 {
				asked := time.Now()
				s.pass(310 * time.Millisecond)
				s.Feed(event.Reading{Name: "bus.voltage", Value: volts(1), Asked: asked, Arrived: time.Now()})
			}
		}}, event.StaleReading},
		{"answers with errors never make a reading fresh", age, []happens{unanswered("bus.voltage", 4)}, event.StaleReading},
		{"an error among readings is only a gap", age,
			[]happens{reads("bus.voltage", volts(1)), unanswered("bus.voltage", 1), reads("bus.voltage", volts(1)), after(100 * time.Millisecond)}, ""},
		{"an answer that is no number never makes a reading fresh", age, []happens{reads("bus.voltage", volts(math.NaN()), volts(math.NaN()), volts(math.NaN()), volts(math.NaN()))}, event.StaleReading},
		{"a question that claims to be sent tomorrow is sent now", age, []happens{func(s *stand) {
			s.Feed(event.Reading{Name: "bus.voltage", Value: volts(1), Asked: time.Now().Add(24 * time.Hour), Arrived: time.Now()})
			s.pass(400 * time.Millisecond)
		}}, event.StaleReading},
		{"an old answer does not make a fresh reading older", age, []happens{func(s *stand) {
			s.reads("bus.voltage", volts(1))
			s.Feed(event.Reading{Name: "bus.voltage", Value: volts(1), Asked: time.Now().Add(-time.Hour), Arrived: time.Now()})
			s.pass(250 * time.Millisecond)
		}}, ""},

		{"a run longer than its time trips", lasts, []happens{after(60*time.Second + tick)}, event.RunTime},
		{"a run just inside its time stays", lasts, []happens{after(60 * time.Second)}, ""},
		{"what a run waits for people is no part of its time", lasts, []happens{after(30 * time.Second), waitsFor(time.Hour), after(30 * time.Second)}, ""},
		{"after a wait a run has only what was left", lasts, []happens{after(30 * time.Second), waitsFor(time.Hour), after(30*time.Second + tick)}, event.RunTime},
		{"two waits at once are one", lasts, []happens{func(s *stand) { defer s.Wait()(); waitsFor(time.Minute)(s) }, after(60*time.Second + tick)}, event.RunTime},
		{"a wait that goes on does not trip", lasts, []happens{func(s *stand) { s.Wait() }, after(time.Hour)}, ""},
		{"a wait from before the run is none of its own", lasts, []happens{func(s *stand) {
			over := s.Wait()
			s.Disarm()
			require.NoError(s.t, s.Arm("r2", []Limit{lasts}))
			s.pass(30 * time.Second)
			over()
		}, after(30*time.Second + tick)}, event.RunTime},

		{"a bus that was up and falls below the limit trips at once", collapse,
			[]happens{set("bus", 0, 24, time.Second), after(time.Second), reads("bus.voltage", volts(24), volts(17.9))}, event.Collapse},
		{"a bus just at the collapse limit stays", collapse,
			[]happens{set("bus", 0, 24, time.Second), after(time.Second), reads("bus.voltage", volts(24), volts(18))}, ""},
		{"a bus that was never up cannot collapse", collapse,
			[]happens{set("bus", 0, 24, time.Second), after(time.Second), reads("bus.voltage", volts(5), volts(6))}, ""},
		{"a control section that starts during the step may pull the bus down", collapse,
			[]happens{set("bus", 0, 24, time.Second), reads("bus.voltage", volts(20), volts(15), volts(19))}, ""},
		{"a bus that is stepped down does not collapse", collapse,
			[]happens{set("bus", 0, 24, 0), reads("bus.voltage", volts(24)), set("bus", 24, 0, time.Second), reads("bus.voltage", volts(17), volts(0))}, ""},
		{"a fall that was announced is none, although nobody knows yet that it was taken", collapse, []happens{set("bus", 0, 24, 0), reads("bus.voltage", volts(24)),
			func(s *stand) { s.WillFall("bus", 0) }, reads("bus.voltage", volts(3))}, ""},
		{"an announced fall that stays above is no excuse", collapse, []happens{set("bus", 0, 24, 0), reads("bus.voltage", volts(24)),
			func(s *stand) { s.WillFall("bus", 20) }, reads("bus.voltage", volts(17))}, event.Collapse},
		{"after a step down the bus has to be up again before it can collapse", collapse,
			[]happens{set("bus", 0, 24, 0), reads("bus.voltage", volts(24)), set("bus", 24, 0, 0), reads("bus.voltage", volts(1)),
				set("bus", 0, 24, 0), reads("bus.voltage", volts(2))}, ""},

		{"volts times amperes above the power trips", power, []happens{reads("bus.voltage", volts(60)), reads("bus.current", amperes(0.501))}, event.OverPower},
		{"volts times amperes at the power stays", power, []happens{reads("bus.voltage", volts(60)), reads("bus.current", amperes(0.5))}, ""},
		{"a charging capacitor is no excuse for power", power,
			[]happens{set("bus", 0, 60, time.Minute), reads("bus.voltage", volts(60)), reads("bus.current", amperes(0.6))}, event.OverPower},
		{"a current that is no number has no power and trips", power,
			[]happens{reads("bus.voltage", volts(60)), reads("bus.current", amperes(math.NaN()))}, event.UnreadableReading},

		{"a meter that lost the bus trips", apart, []happens{set("bus", 0, 30, 0), beside(30, 0.1, 0.1)}, event.LeadOff},
		{"a meter that differs in one of three readings stays", apart, []happens{set("bus", 0, 30, 0), beside(30, 30, 0.1, 30, 30, 0.1)}, ""},
		{"just apart enough trips, below the supply", apart, []happens{set("bus", 0, 30, 0), beside(30, 27.99, 27.99)}, event.LeadOff},
		{"just apart enough trips, above the supply", apart, []happens{set("bus", 0, 30, 0), beside(30, 32.01, 32.01)}, event.LeadOff},
		{"just inside stays", apart, []happens{set("bus", 0, 30, 0), beside(30, 28.01, 31.99, 28.01)}, ""},
		{"5 % of a high set value is allowed", apart, []happens{set("bus", 0, 80, 0), beside(80, 76.01, 76.01)}, ""},
		{"a step under way may drive them apart", apart, []happens{set("bus", 0, 30, time.Minute), beside(30, 5, 6, 7)}, ""},
		{"a supply that is off reads nothing of a charged bus", apart, []happens{set("bus", 30, 0, 0), beside(0, 30, 29, 28)}, ""},
		{"a bus that was just let go falls between two readings of its supply", apart,
			[]happens{set("bus", 0, 24, 0), beside(24, 24), reads("bus.voltage", volts(24)), reads("bus_meter.voltage", volts(20), volts(13)), reads("bus.voltage", volts(9)), reads("bus_meter.voltage", volts(7)), reads("bus.voltage", volts(6))}, ""},
		{"a supply that was not read again says nothing of its meter", apart,
			[]happens{set("bus", 0, 30, 0), reads("bus.voltage", volts(30)), reads("bus_meter.voltage", volts(0.1), volts(0.1), volts(0.1))}, ""},

		{"an open interlock trips at once", interlock, []happens{says("interlock", "closed", "open")}, event.InterlockOpen},
		{"an interlock that says nothing trips", interlock, []happens{says("interlock", "")}, event.InterlockOpen},
		{"a closed interlock stays", interlock, []happens{says("interlock", "closed", "closed")}, ""},
		{"the supply's own protection trips at once", protection, []happens{says("bus.protection", "", "over-voltage")}, event.ProtectionActed},
		{"a protection that has not acted stays", protection, []happens{says("bus.protection", "", "")}, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			inBubble(t, func(s *stand) {
				if tt.limit.Kind == Age {
					require.NoError(t, s.Arm("run-1", []Limit{tt.limit}))
				} else {
					s.arm(tt.limit)
				}
				for _, what := range tt.what {
					what(s)
				}
				if tt.cause == "" {
					require.Nil(t, s.Tripped())
					require.Empty(t, s.trips())
					return
				}
				require.NotNil(t, s.Tripped())
				require.Equal(t, tt.cause, s.Tripped().Cause)
				require.Contains(t, event.Causes(), tt.cause)
				require.Equal(t, []event.Trip{*s.Tripped()}, s.trips(), "made safe once, for this trip")
				trip := s.trips()[0]
				require.Contains(t, trip.Text, tt.limit.Quantity[:3], "the message names the quantity")
				require.Contains(t, trip.Text, tt.limit.Origin, "the message names where the limit comes from")
				require.NotContains(t, trip.Text+trip.Do, "%!")
				require.NotEmpty(t, trip.Do, "the message says what to do")
				require.Equal(t, tt.limit.Origin, trip.Limit.Origin)
			})
		})
	}
}

func TestMessages(t *testing.T) {
	tests := []struct {
		limit Limit
		what  happens
		text  string
		do    string
	}{
		{NewLimit("bus.voltage", High, volts(90), origin), reads("bus.voltage", volts(91.5)),
			"bus.voltage is 91.5 V, the limit is 90 V, high, 1 of 1 readings (family heron, stage board)",
			"find out why bus is above what was asked for before you reset"},
		{NewLimit("control.current", Settled, amperes(0.6), origin), reads("control.current", amperes(0.75), amperes(0.75)),
			"control.current is 750 mA, the limit is 600 mA, settled high, 2 of 3 readings (family heron, stage board)",
			"leave control off and look for a short or a power device that conducts before you reset"},
		{NewLimit("run", RunTime, secs(60), origin), after(60*time.Second + tick),
			"the run has lasted 60.02 s, without its waits for people, the limit is 60 s (family heron, stage board)",
			"the run took longer than the stage allows: look at what it waited for before you start it again"},
		{NewLimit("bus.protection", Protection, none(), "bench quay"), says("bus.protection", "over-current"),
			"the protection of bus has acted: over-current, 1 of 1 readings (bench quay)",
			"find out what made bus protect itself; its protection is cleared when it is switched on again after the reset"},
	}
	for _, tt := range tests {
		t.Run(string(tt.limit.Kind), func(t *testing.T) {
			inBubble(t, func(s *stand) {
				s.arm(tt.limit)
				tt.what(s)
				require.NotNil(t, s.Tripped())
				require.Equal(t, tt.text, s.Tripped().Text)
				require.Equal(t, tt.do, s.Tripped().Do)
			})
		})
	}
}

func TestASetValueTripNamesTheLimitAsItStood(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.arm(NewLimit("bus.voltage", SetValue, volts(2), "5 % or 2 V above the set value"))
		s.Setpoint("bus", 0, 80, 0)
		s.reads("bus.voltage", volts(85))
		require.NotNil(t, s.Tripped())
		require.Equal(t, volts(84), s.Tripped().Limit.Value)
		require.Equal(t, volts(85), *s.Tripped().Reading)
	})
}

func TestLostLink(t *testing.T) {
	inBubble(t, func(s *stand) {
		s.LinkLost("bus", errors.New("end of file"))
		require.Nil(t, s.Tripped(), "outside a run a lost link is no trip")

		s.arm(NewLimit("bus.voltage", High, volts(90), origin))
		s.LinkLost("contacts", errors.New("end of file"))
		synctest.Wait()
		require.NotNil(t, s.Tripped())
		require.Equal(t, event.LinkLost, s.Tripped().Cause)
		require.Equal(t, "the connection to contacts is lost: end of file, 1 of 1 (every run needs its instruments)", s.Tripped().Text)
		require.Equal(t, "contacts", s.Tripped().Limit.Quantity)
		require.Len(t, s.trips(), 1)
	})
}
