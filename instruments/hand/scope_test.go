package hand_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/hand"
	"benchwarden/instruments/scope"
)

// wanted is two gates, 1 ms at 1 MS/s, and the control supply's edge as the trigger where it is asked for.
func wanted() scope.Setup {
	return scope.Setup{
		Channels: map[int]scope.Vertical{
			1: {FullScale: 24, Centre: 4, Factor: 10, Tip: "probe P1, gate A.high against its own source"},
			2: {FullScale: 24, Centre: 4, Factor: 10, Tip: "probe P2, gate A.low against its own source"},
		},
		Rate: 1e6, Points: 1000,
	}
}

// export is what a scope would write: a head, a row of names with units, and rows of a square wave from -8 V to 15 V.
func export(head string, step float64, rows int) string {
	var b strings.Builder
	b.WriteString(head)
	for i := range rows {
		high, low := 15.0, -8.0
		if i%50 >= 25 {
			high, low = low, high
		}
		fmt.Fprintf(&b, "%.9g,%.3f,%.3f\n", float64(i)*step, high, low)
	}
	return b.String()
}

const twoChannels = "Time (s),CH1 (V),CH2 (V)\n"

// put writes a file whose time is off by so much from now.
func put(t *testing.T, folder, name, text string, off time.Duration) {
	t.Helper()
	path := filepath.Join(folder, name)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	at := time.Now().Add(off)
	require.NoError(t, os.Chtimes(path, at, at))
}

// asked has a scope captured with answers; after is done when the capture has been asked for.
func asked(t *testing.T, folder string, setup scope.Setup, p *person, after func()) (*hand.Scope, bool, error) {
	t.Helper()
	s := hand.NewScope("scope", p, folder, 4)
	require.NoError(t, s.Configure(t.Context(), setup))
	require.NoError(t, s.Arm(t.Context()))
	after()
	triggered, err := s.Triggered(t.Context(), time.Second)
	return s, triggered, err
}

func TestAnExportServesInPlaceOfAScope(t *testing.T) {
	folder, p := t.TempDir(), &person{answers: []string{"A.CSV"}}
	s, triggered, err := asked(t, folder, wanted(), p, func() { put(t, folder, "A.CSV", export(twoChannels, 1e-6, 1200), 0) })
	require.NoError(t, err)
	require.True(t, triggered)
	one, err := s.Fetch(t.Context(), 1)
	require.NoError(t, err)
	two, err := s.Fetch(t.Context(), 2)
	require.NoError(t, err)
	require.Equal(t, 1200, one.Len())
	require.InDelta(t, 15, one.At(0), 1e-9)
	require.InDelta(t, -8, two.At(0), 1e-9)
	require.InEpsilon(t, 1e-6, float64(one.Step), 1e-6)

	for _, part := range []string{
		"channel 1 (probe P1, gate A.high against its own source), channel 2 (probe P2, gate A.low against its own source): d.c., probe factor 10, " +
			"5 V a division with 4 V in the middle (-8 V to 16 V have to show)",
		"100 us a division, so that the record is 1 ms long or longer, with points 1 us apart or less", "peak detection off; trigger on auto.", folder,
	} {
		require.Contains(t, strings.ReplaceAll(p.asked[0].Text, "µ", "u"), part)
	}
	require.True(t, p.asked[0].File)
	require.Len(t, p.notes, 1)
	require.Regexp(t, `trace file A\.CSV, SHA-256 [0-9a-f]{64}`, p.notes[0])

	_, err = s.Fetch(t.Context(), 3)
	require.ErrorIs(t, err, scope.ErrNoCapture)
	require.NoError(t, s.Configure(t.Context(), wanted()))
	_, err = s.Fetch(t.Context(), 1)
	require.ErrorIs(t, err, scope.ErrNoCapture, "a new setting has no trace yet")

	p.answers = append(p.answers, "B.CSV")
	require.NoError(t, s.Arm(t.Context()))
	put(t, folder, "B.CSV", export(twoChannels, 1e-6, 1300), 0)
	_, err = s.Triggered(t.Context(), time.Second)
	require.NoError(t, err)
	require.Contains(t, p.asked[1].Text, "stays set as it is")

	longer := wanted()
	longer.Points = 3000
	p.answers = append(p.answers, "C.CSV")
	require.NoError(t, s.Configure(t.Context(), longer))
	require.NoError(t, s.Arm(t.Context()))
	put(t, folder, "C.CSV", export(twoChannels, 1e-6, 3000), 0)
	_, err = s.Triggered(t.Context(), time.Second)
	require.NoError(t, err)
	require.Contains(t, strings.ReplaceAll(p.asked[2].Text, "µ", "u"), "Set the scope: 500 us a division")
	require.NotContains(t, p.asked[2].Text, "channel 1", "what stays is not told again")
	require.Contains(t, p.asked[2].Text, "The rest stays.")
}

func TestAFileThatDoesNotServeIsRefusedInOneLineAndAskedForAgain(t *testing.T) {
	good := export(twoChannels, 1e-6, 1100)
	tests := []struct {
		name, answer string
		file         string // written under the name that is answered, or as X.CSV
		text         string
		off          time.Duration
		doubt        string
	}{
		{"wrong name", "Y.CSV", "X.CSV", good, 0, "there is no file Y.CSV; the newest in "},
		{"outside the folder", "../X.CSV", "X.CSV", good, 0, "does not lie in"},
		{"old", "X.CSV", "X.CSV", good, -time.Hour, "before it was asked for"},
		{"from a clock that is ahead", "X.CSV", "X.CSV", good, time.Hour, "set the scope's clock"},
		{"one channel missing", "X.CSV", "X.CSV", "Time (s),CH1 (V),CH3 (V)\n" + export("", 1e-6, 1100), 0, "no channel 2"},
		{"one trace only", "X.CSV", "X.CSV", "Time (s),CH1 (V)\n0,1\n1e-6,2\n2e-6,1\n3e-6,2\n4e-6,1\n5e-6,2\n", 0, "it holds CH1, and channels 1 and 2 were asked for"},
		{"in amperes", "X.CSV", "X.CSV", "Time (s),CH1 (V),CH2 (A)\n" + export("", 1e-6, 1100), 0, "not in volts"},
		{"too short", "X.CSV", "X.CSV", export(twoChannels, 1e-6, 700), 0, "700 µs long, and 1 ms were asked for"},
		{"too coarse in time", "X.CSV", "X.CSV", export(twoChannels, 4e-6, 700), 0, "a point every 4 µs"},
		{"no trace", "X.CSV", "X.CSV", "shopping list\n", 0, "cannot be used"},
		{"named twice", "X.CSV, X.CSV", "X.CSV", good, 0, "named twice"},
		{"nothing", " ", "X.CSV", good, 0, "no file was named"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			folder, p := t.TempDir(), &person{answers: []string{test.answer, "GOOD.CSV"}}
			s, triggered, err := asked(t, folder, wanted(), p, func() {
				put(t, folder, test.file, test.text, test.off)
				put(t, folder, "GOOD.CSV", export(twoChannels, 1e-6, 1050), 0)
			})
			require.NoError(t, err)
			require.True(t, triggered)
			require.Len(t, p.asked, 2)
			require.Contains(t, p.asked[1].Doubt, test.doubt)
			require.NotContains(t, p.asked[1].Doubt, "\n")
			one, err := s.Fetch(t.Context(), 1)
			require.NoError(t, err)
			require.Equal(t, 1050, one.Len(), "the trace of the file that serves")
		})
	}
}

func TestAFileIsTakenOnce(t *testing.T) {
	folder := t.TempDir()
	p := &person{answers: []string{"A.CSV", "COPY.CSV", "B.CSV"}}
	text := export(twoChannels, 1e-6, 1100)
	s, _, err := asked(t, folder, wanted(), p, func() { put(t, folder, "A.CSV", text, 0) })
	require.NoError(t, err)
	require.NoError(t, s.Configure(t.Context(), wanted()))
	require.NoError(t, s.Arm(t.Context()))
	put(t, folder, "COPY.CSV", text, 0)
	put(t, folder, "B.CSV", export(twoChannels, 1e-6, 1101), 0)
	_, err = s.Triggered(t.Context(), time.Second)
	require.NoError(t, err)
	require.Contains(t, p.asked[2].Doubt, "COPY.CSV holds what was taken already as A.CSV")

	require.NoError(t, s.Configure(t.Context(), wanted()))
	require.NoError(t, s.Arm(t.Context()))
	p.answers = append(p.answers, "B.CSV")
	_, err = s.Triggered(t.Context(), time.Second)
	require.ErrorIs(t, err, errGone)
	require.Contains(t, p.asked[len(p.asked)-1].Doubt, "B.CSV was there before it was asked for")
}

func TestWhatAFileDoesNotSayIsAskedForAndNeverGuessed(t *testing.T) {
	t.Run("units and columns, once", func(t *testing.T) {
		folder := t.TempDir()
		p := &person{answers: []string{"A.CSV", "us", "mV", "left", "right", "B.CSV"}}
		head := "Time,left,right\n"
		inMillivolts := func(rows int) string {
			text := export(head, 1, rows)
			return strings.ReplaceAll(strings.ReplaceAll(text, "15.000", "15000.0"), "-8.000", "-8000.0")
		}
		s, _, err := asked(t, folder, wanted(), p, func() { put(t, folder, "A.CSV", inMillivolts(1100), 0) })
		require.NoError(t, err, p.asked)
		one, err := s.Fetch(t.Context(), 1)
		require.NoError(t, err)
		require.InDelta(t, 15, one.At(0), 1e-9)
		require.InEpsilon(t, 1e-6, float64(one.Step), 1e-6)
		require.Contains(t, p.notes[0], "left was said to be channel 1")
		n := len(p.asked)

		require.NoError(t, s.Configure(t.Context(), wanted()))
		require.NoError(t, s.Arm(t.Context()))
		put(t, folder, "B.CSV", inMillivolts(1101), 0)
		_, err = s.Triggered(t.Context(), time.Second)
		require.NoError(t, err)
		require.Len(t, p.asked, n+1, "what was said of the first file holds for the next")
	})
	t.Run("a file for each channel", func(t *testing.T) {
		folder, p := t.TempDir(), &person{answers: []string{"7ch2.csv, 7ch1.csv"}}
		single := func(name string, v float64) {
			var b strings.Builder
			b.WriteString("Time (s),Level (V)\n")
			for i := range 1100 {
				fmt.Fprintf(&b, "%.9g,%.3f\n", float64(i)*1e-6, v+float64(i%2))
			}
			put(t, folder, name, b.String(), 0)
		}
		s, _, err := asked(t, folder, wanted(), p, func() { single("7ch1.csv", 3); single("7ch2.csv", 5) })
		require.NoError(t, err)
		two, err := s.Fetch(t.Context(), 2)
		require.NoError(t, err)
		require.InDelta(t, 5, two.At(0), 1e-9)
	})
}

func TestATriggeredCaptureIsArmedFirstAndHasToShowItsEdge(t *testing.T) {
	setup := wanted()
	setup.Trigger = scope.Trigger{Channel: 1, Level: 5, Edge: scope.Falling, Position: 0.25}
	t.Run("seen", func(t *testing.T) {
		folder, p := t.TempDir(), &person{answers: []string{"armed", "A.CSV"}}
		_, triggered, err := asked(t, folder, setup, p, func() { put(t, folder, "A.CSV", export(twoChannels, 1e-6, 1100), 0) })
		require.NoError(t, err)
		require.True(t, triggered)
		require.Contains(t, p.asked[0].Text, "trigger on channel 1, falling edge at 5 V, 25 % of the record before it")
		require.False(t, p.asked[0].File)
	})
	t.Run("nothing triggered", func(t *testing.T) {
		_, triggered, err := asked(t, t.TempDir(), setup, &person{answers: []string{"armed", "None"}}, func() {})
		require.NoError(t, err)
		require.False(t, triggered)
	})
	t.Run("another capture's file", func(t *testing.T) {
		folder, p := t.TempDir(), &person{answers: []string{"armed", "A.CSV"}}
		setup.Trigger.Level = 20
		_, _, err := asked(t, folder, setup, p, func() { put(t, folder, "A.CSV", export(twoChannels, 1e-6, 1100), 0) })
		require.ErrorIs(t, err, errGone)
		require.Contains(t, p.asked[2].Doubt, "never passes the trigger's 20 V")
	})
}

func TestHallSwitchesAndContactsAreAskedForOnce(t *testing.T) {
	p := &person{answers: []string{"ok", "ok", "ok", "ok", "ok", "open", "blinks"}}
	h := hand.NewHall("hall", p)
	on, err := h.On(t.Context(), 0)
	require.NoError(t, err)
	require.True(t, on, "nobody has said that the lines are open")
	require.NoError(t, h.SetCode(t.Context(), 5))
	require.NoError(t, h.SetCode(t.Context(), 5))
	require.Contains(t, p.asked[0].Text, "H1 high, H2 low, H3 high (code 5)")
	require.Len(t, p.asked, 1)
	require.ErrorContains(t, h.SetCode(t.Context(), 8), "there are 0 to 7")
	h.Forget()
	p.answers = append(p.answers, "ok")
	require.NoError(t, h.SetCode(t.Context(), 5))
	require.Len(t, p.asked, 2, "somebody may have moved the switches since")
	require.NoError(t, h.Output(t.Context(), 0, false))
	on, err = h.On(t.Context(), 0)
	require.NoError(t, err)
	require.False(t, on)
	require.ErrorIs(t, h.Run(t.Context(), 10, false), hand.ErrByHand)

	c := hand.NewContacts("contacts", p, map[string]bool{"enable": false, "fault_lamp": true})
	_, err = c.Closed(t.Context(), 0, "enable")
	require.ErrorContains(t, err, "nobody has said how the contact enable stands")
	require.NoError(t, c.Set(t.Context(), 0, "enable", true))
	require.NoError(t, c.Set(t.Context(), 0, "enable", true))
	require.NoError(t, c.Set(t.Context(), 0, "enable", false))
	closed, err := c.Closed(t.Context(), 0, "enable")
	require.NoError(t, err)
	require.False(t, closed)
	require.Len(t, p.asked, 5)
	c.Forget()
	_, err = c.Closed(t.Context(), 0, "enable")
	require.ErrorContains(t, err, "nobody has said how the contact enable stands")
	p.answers = p.answers[:5]
	p.answers = append(p.answers, "open", "blinks")
	lit, err := c.Input(t.Context(), 0, "fault_lamp")
	require.NoError(t, err)
	require.False(t, lit)
	_, err = c.Input(t.Context(), 0, "fault_lamp")
	require.ErrorIs(t, err, hand.ErrImplausible)
}
