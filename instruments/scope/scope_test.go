package scope_test

import (
	"context"
	"errors"
	"math"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/dialect"
	"benchwarden/instruments/dialect/dialecttest"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scope"
	"benchwarden/instruments/scope/scopetest"
)

func open(t *testing.T) (*scope.Scope, *scopetest.Fake) {
	f := scopetest.New()
	return scope.New("scope", dialecttest.Session(t, "scope", dialecttest.Ours(t, "plain-scope"), f.Instrument)), f
}

// inMemory is open in virtual time.
func inMemory(t *testing.T) (*scope.Scope, *scopetest.Fake) {
	f := scopetest.New()
	d := dialecttest.Ours(t, "plain-scope")
	d.Connections = 1
	s, err := dialect.Open(t.Context(), "scope", d, "tcp://192.0.2.1:5025", link.Options{Open: f.Open})
	require.NoError(t, err)
	t.Cleanup(func() { s.Close() })
	return scope.New("scope", s), f
}

func setup() scope.Setup {
	return scope.Setup{
		Channels: map[int]scope.Vertical{1: {FullScale: 40, Centre: 5, Factor: 10}, 3: {FullScale: 20}},
		Rate:     100e6, Points: 10000,
		Trigger: scope.Trigger{Channel: 1, Level: 7.5, Edge: scope.Falling, Position: 0.25},
	}
}

func TestSetupBecomesMessages(t *testing.T) {
	s, f := open(t)
	require.NoError(t, s.Configure(t.Context(), setup()))
	require.Equal(t, []string{
		"ABOR", "FORM:DATA INT,8;:FORM:BORD NORM",
		"INP1 ON", "INP1:ATT 10", "SENS1:VOLT:RANG:PTP 4.000000e+01", "SENS1:VOLT:RANG:OFFS 5.000000e+00",
		"INP2 OFF",
		"INP3 ON", "INP3:ATT 1", "SENS3:VOLT:RANG:PTP 2.000000e+01", "SENS3:VOLT:RANG:OFFS 0.000000e+00",
		"INP4 OFF",
		"SENS:SWE:POIN 10000", "SENS:SWE:TINT 1.000000e-08", "SENS:SWE:OREF:LOC 0.2500", "SENS:DET SAMP",
		"TRIG:SOUR INT1", "TRIG:LEV 7.500000e+00", "TRIG:SLOP NEG",
	}, f.Settings())

	at := setup()
	at.Trigger, at.PeakDetect = scope.Trigger{}, true
	f.Forget()
	require.NoError(t, s.Configure(t.Context(), at))
	require.Contains(t, f.Settings(), "SENS:DET PPE")
	require.Equal(t, "TRIG:SOUR IMM", f.Settings()[len(f.Settings())-1])
}

func TestSetupThatCannotBeMeantSendsNothing(t *testing.T) {
	s, f := open(t)
	tests := []struct {
		name   string
		change func(*scope.Setup)
		want   string
	}{
		{"no channel", func(s *scope.Setup) { s.Channels = nil }, "scope: a capture of no channel; nothing was sent"},
		{"channel that is not there", func(s *scope.Setup) { s.Channels[5] = scope.Vertical{FullScale: 1} }, "channel 5: there are 1 to 4"},
		{"no full scale", func(s *scope.Setup) { s.Channels[3] = scope.Vertical{} }, "channel 3: full scale 0 V"},
		{"full scale is no number", func(s *scope.Setup) { s.Channels[3] = scope.Vertical{FullScale: quantity.Volts(math.NaN())} }, "channel 3: full scale"},
		{"full scale beyond the scope", func(s *scope.Setup) { s.Channels[3] = scope.Vertical{FullScale: 3000} }, "3 kV is outside 10 mV to 2 kV; nothing was sent"},
		{"factor below zero", func(s *scope.Setup) { s.Channels[3] = scope.Vertical{FullScale: 1, Factor: -10} }, "channel 3: probe factor -10"},
		{"no rate", func(s *scope.Setup) { s.Rate = 0 }, "sampling at 0 Hz"},
		{"too fast", func(s *scope.Setup) { s.Rate = 1e9 }, "1 ns is outside 4 ns to 1 s; nothing was sent"},
		{"no points", func(s *scope.Setup) { s.Points = 0 }, "0 points"},
		{"too many points", func(s *scope.Setup) { s.Points = 2e6 }, "2000000 is outside 100 to 1000000"},
		{"trigger on what is not captured", func(s *scope.Setup) { s.Trigger.Channel = 2 }, "trigger on channel 2, which is not captured"},
		{"trigger outside the record", func(s *scope.Setup) { s.Trigger.Position = 1.1 }, "trigger at 110 % of the record"},
		{"level is no number", func(s *scope.Setup) { s.Trigger.Level = quantity.Volts(math.Inf(1)) }, "finite number"},
		{"edge of another name", func(s *scope.Setup) { s.Trigger.Edge = "sideways" }, `this instrument has no "sideways"`},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			f.Forget()
			bad := setup()
			test.change(&bad)
			require.ErrorContains(t, s.Configure(t.Context(), bad), test.want)
			require.Empty(t, f.Settings())
		})
	}
}

func TestCaptureIsReadInVoltsAtTheTip(t *testing.T) {
	s, f := open(t)
	require.NoError(t, s.Configure(t.Context(), setup()))
	f.Lay(scopetest.Preamble(4, 1e-8, -1e-8, 0.15625, 5), -128, 0, 10, 127)
	require.NoError(t, s.Arm(t.Context()))
	f.Trigger()
	f.Complete()
	triggered, err := s.Triggered(t.Context(), time.Second)
	require.NoError(t, err)
	require.True(t, triggered)
	trace, err := s.Fetch(t.Context(), 1)
	require.NoError(t, err)
	require.Equal(t, 4, trace.Len())
	require.Equal(t, quantity.Seconds(1e-8), trace.Step)
	require.Equal(t, quantity.Seconds(-1e-8), trace.Start)
	// volts = code · scale + offset: -128 · 0.15625 + 5 and so on, computed here.
	for i, want := range []float64{-15, 5, 6.5625, 24.84375} {
		require.InDelta(t, want, trace.At(i), 1e-9)
	}
}

func TestOldRecordIsNeverTakenForANewOne(t *testing.T) {
	s, f := open(t)
	f.Lay(scopetest.Preamble(2, 1e-8, 0, 1, 0), 1, 2)
	_, err := s.Fetch(t.Context(), 1)
	require.ErrorIs(t, err, scope.ErrNoCapture)
	require.NoError(t, s.Configure(t.Context(), setup()))
	require.NoError(t, s.Arm(t.Context()))
	require.NoError(t, s.Force(t.Context()))
	triggered, err := s.Triggered(t.Context(), 0)
	require.NoError(t, err)
	require.True(t, triggered)
	_, err = s.Fetch(t.Context(), 1)
	require.NoError(t, err)
	require.NoError(t, s.Arm(t.Context()))
	_, err = s.Fetch(t.Context(), 1)
	require.ErrorIs(t, err, scope.ErrNoCapture)
	require.NoError(t, s.Stop(t.Context()))
	_, err = s.Fetch(t.Context(), 1)
	require.ErrorIs(t, err, scope.ErrNoCapture)
}

func TestRecordThatDoesNotFitItsPreambleIsNoTrace(t *testing.T) {
	s, f := open(t)
	for _, test := range []struct{ name, preamble, want string }{
		{"fewer points", scopetest.Preamble(3, 1e-8, 0, 1, 0), "announces 3 points, 2 came"},
		{"no step", scopetest.Preamble(2, 0, 0, 1, 0), "step 0 s"},
		{"no scale", scopetest.Preamble(2, 1e-8, 0, 0, 0), "scale 0"},
		{"scale without reading", "2,1e-8,0,9.91E37,0,-128,127", "preamble: scale: the instrument has no reading"},
		{"a field missing", "2,1e-8,0,1,0,-128", "6 fields instead of 7"},
	} {
		t.Run(test.name, func(t *testing.T) {
			f.Lay(test.preamble, 1, 2)
			require.NoError(t, s.Arm(t.Context()))
			require.NoError(t, s.Force(t.Context()))
			triggered, err := s.Triggered(t.Context(), 0)
			require.NoError(t, err)
			require.True(t, triggered)
			_, err = s.Fetch(t.Context(), 1)
			require.ErrorContains(t, err, test.want)
		})
	}
}

func TestWaitingForTheTrigger(t *testing.T) {
	tests := []struct {
		name             string
		trigger, filled  time.Duration // after arming; 0: never
		within           time.Duration
		triggered        bool
		noSooner, noLate time.Duration
		wantErr          string
	}{
		{name: "comes in time", trigger: 30 * time.Millisecond, filled: 31 * time.Millisecond, within: time.Second, triggered: true, noSooner: 31 * time.Millisecond, noLate: 60 * time.Millisecond},
		{name: "never comes", within: 300 * time.Millisecond, noSooner: 300 * time.Millisecond, noLate: 330 * time.Millisecond},
		{name: "in time, complete a little later", trigger: 290 * time.Millisecond, filled: 310 * time.Millisecond, within: 300 * time.Millisecond, triggered: true, noSooner: 310 * time.Millisecond, noLate: 340 * time.Millisecond},
		{name: "never complete", trigger: 10 * time.Millisecond, within: 300 * time.Millisecond, noSooner: 1300 * time.Millisecond, noLate: 1400 * time.Millisecond, wantErr: "is not complete"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s, f := inMemory(t)
				require.NoError(t, s.Configure(t.Context(), setup()))
				require.NoError(t, s.Arm(t.Context()))
				start := time.Now()
				if test.trigger > 0 {
					time.AfterFunc(test.trigger, f.Trigger)
				}
				if test.filled > 0 {
					time.AfterFunc(test.filled, f.Complete)
				}
				triggered, err := s.Triggered(t.Context(), test.within)
				took := time.Since(start)
				if test.wantErr != "" {
					require.ErrorContains(t, err, test.wantErr)
				} else {
					require.NoError(t, err)
				}
				require.Equal(t, test.triggered, triggered)
				require.True(t, took >= test.noSooner && took <= test.noLate, "took %v", took)
			})
		})
	}
}

func TestWaitEndsAtOnceWithItsCause(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := inMemory(t)
		require.NoError(t, s.Arm(t.Context()))
		why := errors.New("tripped")
		ctx, cancel := context.WithCancelCause(t.Context())
		time.AfterFunc(100*time.Millisecond, func() { cancel(why) })
		start := time.Now()
		_, err := s.Triggered(ctx, time.Minute)
		require.ErrorIs(t, err, why)
		require.Equal(t, 100*time.Millisecond, time.Since(start))
	})
}

func TestScopeThatAnswersEachValueToAQuestionOfItsOwn(t *testing.T) {
	d, err := dialect.Load("testdata/questions.yaml")
	require.NoError(t, err)
	answers := map[string]string{
		"*IDN?": "Quayside Test,scope,2,1", "*OPC?": "1", "STEP? CH1": "2 us", "FROM? CH1": "-1E-6",
		"SCAL? CH1": "0.5 mV", "OFFS? CH1": "-16.384", "DATA? CH1": "#16\x00\x80\xff\xff\x00\x00",
	}
	var state atomic.Value
	i := &dialecttest.Instrument{New: func() dialecttest.Talk {
		return dialecttest.TalkFunc(func(message []byte) []byte {
			if string(message) == "STAT?" {
				return []byte(state.Load().(string))
			}
			if a, ok := answers[string(message)]; ok {
				return []byte(a)
			}
			return nil
		})
	}}
	s := scope.New("scope", dialecttest.Session(t, "scope", d, i))
	require.Equal(t, 2, s.Channels())
	plain := scope.Setup{Channels: map[int]scope.Vertical{1: {FullScale: 10, Centre: 2.5}}, Rate: 500e3, Points: 3}
	require.NoError(t, s.Configure(t.Context(), plain))
	require.Equal(t, []string{"HALT", "CH1 ON", "CH1:SPAN 10000", "CH1:MID 2500", "CH2 OFF", "POIN 3", "STEP 2.000e-06", "PLAC 0", "TRIG NOW", "*OPC?"}, i.Sent())

	wrong := plain
	wrong.PeakDetect = true
	require.ErrorIs(t, s.Configure(t.Context(), wrong), scope.ErrNotThere)
	wrong.PeakDetect, wrong.Channels = false, map[int]scope.Vertical{1: {FullScale: 10, Factor: 10}}
	require.ErrorIs(t, s.Configure(t.Context(), wrong), scope.ErrNotThere, "the volts would be wrong by the factor")

	require.NoError(t, s.Arm(t.Context()))
	state.Store("WAIT")
	triggered, err := s.Triggered(t.Context(), 0)
	require.NoError(t, err)
	require.False(t, triggered)
	state.Store("STOP")
	triggered, err = s.Triggered(t.Context(), 0)
	require.NoError(t, err)
	require.True(t, triggered)

	trace, err := s.Fetch(t.Context(), 1)
	require.NoError(t, err)
	require.Equal(t, quantity.Seconds(2e-6), trace.Step)
	require.Equal(t, quantity.Seconds(-1e-6), trace.Start)
	require.Equal(t, 3, trace.Len())
	// code · 0.5 mV - 16.384 V for the codes 32768, 65535 and 0, computed here.
	for i, want := range []float64{0, 16.3835, -16.384} {
		require.InDelta(t, want, trace.At(i), 1e-9)
	}

	require.NoError(t, s.Arm(t.Context()))
	state.Store("SELFTEST")
	_, err = s.Triggered(t.Context(), 0)
	require.ErrorIs(t, err, dialect.ErrUnreadable, "a state that the dialect does not know is not the end of a capture")
	_, err = s.Fetch(t.Context(), 1)
	require.ErrorIs(t, err, scope.ErrNoCapture)
}
