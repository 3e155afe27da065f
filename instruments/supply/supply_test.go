package supply_test

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/dialect"
	"benchwarden/instruments/dialect/dialecttest"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scpi"
	"benchwarden/instruments/supply"
	"benchwarden/instruments/supply/supplytest"
)

var limits = supply.Limits{Max: 72, MaxCurrent: 2}

func plain(t *testing.T) (*supply.Supply, *supplytest.Fake) {
	f := supplytest.NewPlain()
	s := dialecttest.Session(t, "bus", dialecttest.Ours(t, "plain-supply"), f.Instrument)
	return supply.New("bus", s, limits), f
}

// terse opens a terse supply in memory, for virtual time.
func terse(t *testing.T, f *supplytest.Fake, l supply.Limits) *supply.Supply {
	s, err := dialect.Open(t.Context(), "control", dialecttest.Ours(t, "terse-supply"), "serial:///dev/none", link.Options{Open: f.Open})
	require.NoError(t, err)
	t.Cleanup(func() { s.Close() })
	f.Forget()
	return supply.New("control", s, l)
}

func TestNothingPastALimitReachesTheWire(t *testing.T) {
	s, f := plain(t)
	ctx := t.Context()
	nan := math.NaN()
	tests := []struct {
		name    string
		do      func() error
		sent    string // the first message; empty: none
		wantErr string
	}{
		{"at the limit", func() error { return s.SetVoltage(ctx, link.Script, 72) }, "VOLT 72.0000", ""},
		{"zero", func() error { return s.SetVoltage(ctx, link.Script, 0) }, "VOLT 0.0000", ""},
		{"above the limit", func() error { return s.SetVoltage(ctx, link.Script, 72.01) }, "", "bus: set 72.01 V: outside 0 V to 72 V: past the limit, nothing was sent"},
		{"below the limit", func() error { return s.SetVoltage(ctx, link.Script, -0.001) }, "", "outside 0 V to 72 V"},
		{"not a number", func() error { return s.SetVoltage(ctx, link.Script, quantity.Volts(nan)) }, "", "outside"},
		{"infinite", func() error { return s.SetVoltage(ctx, link.Script, quantity.Volts(math.Inf(1))) }, "", "outside"},
		{"a hair below is not rounded up", func() error { return s.SetVoltage(ctx, link.Script, 71.99999) }, "VOLT 71.9999", ""},
		{"current at the limit", func() error { return s.SetCurrent(ctx, link.Script, 2) }, "CURR 2.0000", ""},
		{"current above", func() error { return s.SetCurrent(ctx, link.Script, 2.1) }, "", "bus: set current limit 2.1 A: outside 0 A to 2 A"},
		{"current not a number", func() error { return s.SetCurrent(ctx, link.Script, quantity.Amperes(nan)) }, "", "outside"},
		{"protection not a number", func() error {
			_, err := s.Protect(ctx, link.Script, supply.Protection{Voltage: quantity.Volts(nan)})
			return err
		}, "", "past the limit"},
		{"protection beyond the instrument's range", func() error {
			_, err := s.Protect(ctx, link.Script, supply.Protection{Voltage: 441})
			return err
		}, "", "bus: set_over_voltage: over_voltage: 441 V is outside 0 V to 440 V; nothing was sent"},
	}
	require.NoError(t, s.SetVoltage(ctx, link.Script, 0)) // the first command empties the error queue
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			f.Forget()
			err := test.do()
			if test.wantErr != "" {
				require.ErrorContains(t, err, test.wantErr)
				require.Empty(t, f.Sent())
				return
			}
			require.NoError(t, err)
			require.Equal(t, test.sent, f.Sent()[0])
		})
	}
}

func TestZeroLimitsAllowNothing(t *testing.T) {
	f := supplytest.NewPlain()
	s := supply.New("bus", dialecttest.Session(t, "bus", dialecttest.Ours(t, "plain-supply"), f.Instrument), supply.Limits{})
	require.ErrorIs(t, s.SetVoltage(t.Context(), link.Script, 0.1), supply.ErrPastLimit)
	require.ErrorIs(t, s.SetCurrent(t.Context(), link.Script, 0.1), supply.ErrPastLimit)
	require.Empty(t, f.Sent())
}

func TestRefusalOfTheInstrumentNamesItTheCommandAndTheReason(t *testing.T) {
	f := supplytest.NewPlain()
	s := supply.New("bus", dialecttest.Session(t, "bus", dialecttest.Ours(t, "plain-supply"), f.Instrument), supply.Limits{Max: 400})
	err := s.SetVoltage(t.Context(), link.Script, 90) // the dialect goes to 400 V, this instrument to 80 V
	require.ErrorContains(t, err, `bus: the instrument did not accept "VOLT 90.0000": -222 "Data out of range`)
	var reported scpi.Error
	require.ErrorAs(t, err, &reported)
	require.Equal(t, -222, reported.Number) // SCPI-99 volume 2, chapter 21: -222 "Data out of range"
	require.NoError(t, s.SetVoltage(t.Context(), link.Script, 10))
}

func TestMeasureTellsModeAndTripInOneExchange(t *testing.T) {
	s, f := plain(t)
	tests := []struct {
		name  string
		state supplytest.State
		want  supply.Reading
	}{
		{"off", supplytest.State{Voltage: 3.2}, supply.Reading{Voltage: 3.2, Mode: supply.Off}},
		{"constant voltage", supplytest.State{On: true, Voltage: 30, Current: 0.1}, supply.Reading{Voltage: 30, Current: 0.1, On: true, Mode: supply.CV}},
		{"constant current", supplytest.State{On: true, Voltage: 4, Current: 0.3, ConstantCurrent: true}, supply.Reading{Voltage: 4, Current: 0.3, On: true, Mode: supply.CC}},
		{"neither", supplytest.State{On: true, Unregulated: true}, supply.Reading{On: true, Mode: supply.Unregulated}},
		{"over-voltage", supplytest.State{TrippedVoltage: true, Voltage: 20}, supply.Reading{Voltage: 20, Mode: supply.Off, Tripped: "over-voltage"}},
		{"over-current", supplytest.State{TrippedCurrent: true}, supply.Reading{Mode: supply.Off, Tripped: "over-current"}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			f.Change(func(s *supplytest.State) { *s = test.state })
			f.Forget()
			r, err := s.Measure(t.Context(), link.Warden)
			require.NoError(t, err)
			require.Equal(t, test.want, r)
			require.Equal(t, []string{"MEAS:VOLT?;:MEAS:CURR?;:STAT:QUES:COND?;:OUTP?"}, f.Sent())
		})
	}
}

func TestDoubtfulAnswerIsNoReading(t *testing.T) {
	tests := []struct {
		name, answer string
		is           error
	}{
		{"no reading (SCPI-99: 9.91E37)", "9.91E37;0;2;1", scpi.ErrNoReading},
		{"overload (SCPI-99: 9.9E37)", "9.9E37;0;2;1", scpi.ErrOverrange},
		{"current missing", "9.91E37;9.91E37;2;1", scpi.ErrNoReading},
		{"a field missing", "30.0;0.1;2", dialect.ErrUnreadable},
		{"a field too many", "30.0;0.1;2;1;1", dialect.ErrUnreadable},
		{"text", "30.0;error;2;1", dialect.ErrUnreadable},
		{"output neither on nor off", "30.0;0.1;2;2", dialect.ErrUnreadable},
		{"status no set of bits", "30.0;0.1;2.5;1", dialect.ErrUnreadable},
		{"two numbers in one", "30.0 30.0;0.1;2;1", dialect.ErrUnreadable},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			s, f := plain(t)
			f.Change(func(s *supplytest.State) { *s = supplytest.State{On: true, Voltage: 30, Current: 0.1} })
			first := true
			f.Fault = func(_ int, message string) dialecttest.Fault {
				if first && message[:4] == "MEAS" {
					first = false
					return dialecttest.Fault{Answer: test.answer}
				}
				return dialecttest.Fault{}
			}
			r, err := s.Measure(t.Context(), link.Warden)
			require.ErrorIs(t, err, test.is)
			require.ErrorContains(t, err, "bus: ")
			require.Zero(t, r)
			r, err = s.Measure(t.Context(), link.Warden)
			require.NoError(t, err)
			require.Equal(t, quantity.Volts(30), r.Voltage)
		})
	}
}

func TestProtectionIsReadBack(t *testing.T) {
	s, f := plain(t)
	want := supply.Protection{Voltage: 40, Current: 1.5, CurrentOn: true}
	got, err := s.Protect(t.Context(), link.Script, want)
	require.NoError(t, err)
	require.Equal(t, want, got)
	require.Equal(t, 40.0, f.Get().OverVoltage)
	require.Equal(t, 1.5, f.Get().OverCurrent)
	require.True(t, f.Get().OverCurrentOn)

	got, err = s.Protect(t.Context(), link.Script, supply.Protection{Voltage: 40})
	require.NoError(t, err)
	require.False(t, got.CurrentOn)
	require.False(t, f.Get().OverCurrentOn)

	f.Change(func(s *supplytest.State) { s.Deaf = true })
	got, err = s.Protect(t.Context(), link.Script, supply.Protection{Voltage: 20, Current: 1, CurrentOn: true})
	require.ErrorIs(t, err, supply.ErrNotAccepted)
	require.EqualError(t, err, "bus: over-voltage protection: asked for 20 V, reads back 40 V: the instrument did not take the setting")
	require.Equal(t, quantity.Volts(40), got.Voltage)
}

func TestASupplyWithoutOverVoltageProtectionStillGetsItsOverCurrentProtection(t *testing.T) {
	f := supplytest.NewPlain()
	d := *dialecttest.Ours(t, "plain-supply")
	d.Commands = maps.Clone(d.Commands)
	delete(d.Commands, "set_over_voltage")
	s := supply.New("bus", dialecttest.Session(t, "bus", &d, f.Instrument), limits)
	got, err := s.Protect(t.Context(), link.Script, supply.Protection{Voltage: 40, Current: 1.5, CurrentOn: true})
	require.ErrorIs(t, err, supply.ErrNotThere, "what it lacks is said")
	require.Equal(t, supply.Protection{Current: 1.5, CurrentOn: true}, got)
	require.True(t, f.Get().OverCurrentOn)
}

func TestOffWaitsForNobody(t *testing.T) {
	s, f := plain(t)
	require.NoError(t, s.SetVoltage(t.Context(), link.Script, 30))
	require.NoError(t, s.Output(t.Context(), link.Script, true))
	require.True(t, f.Get().On)

	asked, cut := make(chan struct{}), make(chan error, 1)
	f.Fault = func(_ int, message string) dialecttest.Fault {
		if message == "VOLT?" {
			close(asked)
			return dialecttest.Fault{LoseMessage: true} // nobody will ever answer
		}
		return dialecttest.Fault{}
	}
	go func() {
		_, err := s.Setpoint(t.Context(), link.Script)
		cut <- err
	}()
	<-asked
	require.NoError(t, s.Off())
	require.ErrorIs(t, <-cut, link.ErrCut)
	on, err := s.On(t.Context(), link.MakeSafe)
	require.NoError(t, err)
	require.False(t, on)
	require.False(t, f.Get().On)
}

// switchOn is what a bench does, without its precautions.
func switchOn(ctx context.Context, s *supply.Supply) error {
	if err := s.SetVoltage(ctx, link.Script, 24); err != nil {
		return err
	}
	if err := s.SetCurrent(ctx, link.Script, 0.5); err != nil {
		return err
	}
	return s.Output(ctx, link.Script, true)
}

func TestTerseSupplyIsReadBackSinceNothingElseShowsARefusal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := supplytest.NewTerse()
		s := terse(t, f, supply.Limits{Max: 32, MaxCurrent: 3})
		require.NoError(t, switchOn(t.Context(), s))
		require.Equal(t, []string{"SET:U 24.00", "ASK:SU", "SET:I 0.500", "ASK:SI", "OUT:1", "ASK:M"}, f.Sent())
		f.Change(func(s *supplytest.State) { s.Voltage, s.Current, s.ConstantCurrent = 23.98, 0.5, true })
		r, err := s.Measure(t.Context(), link.Warden)
		require.NoError(t, err)
		require.Equal(t, supply.Reading{Voltage: 23.98, Current: 0.5, On: true, Mode: supply.CC}, r)

		got, err := s.Protect(t.Context(), link.Script, supply.Protection{Voltage: 26.06})
		require.NoError(t, err)
		require.Equal(t, supply.Protection{Voltage: 26}, got) // one place, never above what was asked for
		_, err = s.Protect(t.Context(), link.Script, supply.Protection{Voltage: 26, Current: 1, CurrentOn: true})
		require.ErrorIs(t, err, supply.ErrNotThere)
		require.ErrorContains(t, err, "no_protection")

		f.Change(func(s *supplytest.State) { s.Stuck = true })
		require.ErrorIs(t, s.Output(t.Context(), link.MakeSafe, false), supply.ErrNotAccepted)
		f.Change(func(s *supplytest.State) { s.Stuck = false })
		require.NoError(t, s.Off())
		on, err := s.On(t.Context(), link.MakeSafe)
		require.NoError(t, err)
		require.False(t, on)
	})
}

func TestReferenceHasNoCurrentLimit(t *testing.T) {
	f := supplytest.NewPlain()
	s := supply.New("reference", dialecttest.Session(t, "reference", dialecttest.Ours(t, "plain-reference"), f.Instrument), supply.Limits{Min: -10, Max: 10})
	require.False(t, s.LimitsCurrent())
	require.ErrorIs(t, s.SetCurrent(t.Context(), link.Script, 0), supply.ErrNotThere)
	_, err := s.Protect(t.Context(), link.Script, supply.Protection{})
	require.ErrorIs(t, err, supply.ErrNotThere)
	require.NoError(t, s.SetVoltage(t.Context(), link.Script, 10))
}

// Each message, and each answer, of a good switching on is lost in turn; whatever happens, Off and a read-back end it.
func TestOneLostExchangeStillEndsWithOutputOff(t *testing.T) {
	kinds := map[string]dialecttest.Fault{"message": {LoseMessage: true}, "answer": {LoseAnswer: true}, "late answer": {Late: 1200e6}}
	total := 0
	synctest.Test(t, func(t *testing.T) {
		f := supplytest.NewTerse()
		require.NoError(t, switchOn(t.Context(), terse(t, f, supply.Limits{Max: 32, MaxCurrent: 3})))
		total = len(f.Sent())
	})
	for kind, fault := range kinds {
		for lost := 1; lost <= total; lost++ {
			t.Run(fmt.Sprintf("%s %d", kind, lost), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					f := supplytest.NewTerse()
					s := terse(t, f, supply.Limits{Max: 32, MaxCurrent: 3})
					f.Fault = func(n int, _ string) dialecttest.Fault {
						if n == lost {
							return fault
						}
						return dialecttest.Fault{}
					}
					err := switchOn(t.Context(), s)
					if err == nil {
						st := f.Get()
						require.True(t, st.On && st.SetVoltage == 24 && st.SetCurrent == 0.5, "no error, yet %+v", st)
					}
					offErr, on := s.Off(), true
					on, err = s.On(t.Context(), link.MakeSafe)
					// Off and its read-back are repeated, as make-safe does: an instrument that is busy answering takes nothing.
					for tries := 0; (offErr != nil || err != nil || on) && tries < 5; tries++ {
						offErr = s.Off()
						on, err = s.On(t.Context(), link.MakeSafe)
					}
					require.NoError(t, offErr)
					require.NoError(t, err)
					require.False(t, on)
					require.False(t, f.Get().On)
				})
			})
		}
	}
}

func TestErrorsKeepTheirCause(t *testing.T) {
	s, f := plain(t)
	f.Fault = func(int, string) dialecttest.Fault { return dialecttest.Fault{LoseMessage: true} }
	ctx, cancel := context.WithCancelCause(t.Context())
	asked := errors.New("the run was stopped")
	cancel(asked)
	_, err := s.Measure(ctx, link.Script)
	require.ErrorIs(t, err, asked)
	require.ErrorContains(t, err, "bus")
}
