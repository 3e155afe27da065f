package simulated

import (
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestAMessageWithoutEndIsDroppedAndSaid(t *testing.T) {
	d := dial(t, start(t, Options{}), "bus")
	endless := strings.Repeat("VOLT 1;", longestMessage/7+1000)
	_, err := io.WriteString(d, endless)
	require.NoError(t, err)
	d.send(":VOLT 2")
	require.Equal(t, `-363,"Input buffer overrun"`, d.until("SYST:ERR?", func(a string) bool { return a[0] == '-' }))
	require.Equal(t, `0.0E+00;0,"No error"`, d.ask("VOLT?;:SYST:ERR?"), "nothing of it was done")
}

func TestMessagesComeInAnyPieces(t *testing.T) {
	d := dial(t, start(t, Options{}), "bus")
	for _, piece := range []string{"VO", "LT 3;VOL", "T?\nVOLT?\n\nVOLT", "?", "\n"} {
		_, err := io.WriteString(d, piece)
		require.NoError(t, err)
	}
	for range 3 {
		require.Equal(t, "3.0E+00", d.line())
	}
}

func TestAClientThatHangsUpEndsItsOwnWaitOnly(t *testing.T) {
	b := start(t, Options{})
	first, second := dial(t, b, "scope"), dial(t, b, "scope")
	first.send("TRIG:SOUR INT1;LEV 50", "INIT;*OPC?")
	second.until("STAT:OPER:COND?", func(a string) bool { return a == "32" })
	require.NoError(t, first.Close())
	require.Equal(t, 32, second.state(), "the acquisition goes on waiting")
	s := b.doors["scope"].(*socket)
	require.Eventually(t, func() bool {
		s.mu.Lock()
		defer s.mu.Unlock()
		return len(s.clients) == 1
	}, soon, time.Millisecond)
}

func TestAReadingKeepsNobodyElseWaiting(t *testing.T) {
	b := start(t, Options{Latency: 50}) // a reading takes a second
	first, second := dial(t, b, "meter"), dial(t, b, "meter")
	began := time.Now()
	first.send("MEAS:VOLT:DC?")
	second.ask("*IDN?")
	require.Less(t, time.Since(began), time.Second)
	first.line()
	require.GreaterOrEqual(t, time.Since(began), time.Second)
}

func TestASlowLineTakesTheTimeOfItsCharacters(t *testing.T) {
	d := dial(t, start(t, Options{Latency: 1}), "control")
	began := time.Now()
	answer := d.ask("ASK:ID")
	characters := len("ASK:ID\r") + len(answer) + len("\r")
	// Ten bits a character at 9600 baud; the last piece of up to eight arrives before its time has passed.
	least := time.Duration(characters-8) * 10 * time.Second / 9600
	require.GreaterOrEqual(t, time.Since(began), least)
}
