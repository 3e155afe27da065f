package simulated

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/simulated/plant"
)

func TestALateAnswerComesAfterItsTime(t *testing.T) {
	d := dial(t, start(t, Options{}, "answer_late:bus_meter=200 ms@1"), "bus_meter")
	d.ask("*IDN?")
	began := time.Now()
	d.send("MEAS:VOLT:DC?", "*IDN?")
	require.NotContains(t, d.line(), "Quayside", "it still is the answer to the question before")
	require.GreaterOrEqual(t, time.Since(began), 200*time.Millisecond)
	require.Contains(t, d.line(), "Quayside")
}

func TestAWrongAnswerIsThatToAnotherQuestion(t *testing.T) {
	d := dial(t, start(t, Options{}, "answer_wrong:bus*2"), "bus")
	require.Contains(t, d.ask("VOLT?"), "Quayside Simulated")
	require.Equal(t, "0", d.ask("*IDN?"))
	require.Equal(t, "0.0E+00", d.ask("VOLT?"))
}

func TestAnAnswerCutShortHasNoEnd(t *testing.T) {
	d := dial(t, start(t, Options{}, "answer_cut_short:bus"), "bus")
	d.send("*IDN?", "VOLT?")
	require.Equal(t, "Quayside Simulated,watched s0.0E+00", d.line(), "what comes next runs into it")
}

func TestAnAnswerTwiceShiftsTheNext(t *testing.T) {
	d := dial(t, start(t, Options{}, "answer_twice:bus"), "bus")
	require.Equal(t, "0.0E+00", d.ask("VOLT?"))
	require.Equal(t, "0.0E+00", d.ask("*IDN?"))
	require.Contains(t, d.line(), "Quayside")
}

func TestGarbageIsAsLongAsTheAnswerAndNoText(t *testing.T) {
	d := dial(t, start(t, Options{}, "garbage:bus"), "bus")
	got := d.ask("VOLT?")
	require.Len(t, got, len("0.0E+00"))
	for i := range len(got) {
		require.GreaterOrEqual(t, got[i], byte(0x80))
	}
	require.Equal(t, "0.0E+00", d.ask("VOLT?"))
}

func TestASilentInstrumentStillObeys(t *testing.T) {
	b := start(t, Options{}, "silence:bus@2")
	d := dial(t, b, "bus")
	d.ask("*IDN?")
	d.ask("*IDN?")
	d.send("VOLT 7;VOLT?", "OUTP ON;OUTP?")
	s := b.plant.BusSupply()
	for !s.Read().On { // go test's own limit ends it
	}
	require.InDelta(t, 7, float64(s.Read().SetVoltage), 0)
	require.NoError(t, d.ReadWriteCloser.(deadlines).SetDeadline(time.Now().Add(50*time.Millisecond)))
	_, err := d.in.ReadByte()
	require.ErrorIs(t, err, os.ErrDeadlineExceeded)
}

func TestDisconnectComesInTheMiddleOfAnAnswer(t *testing.T) {
	for _, role := range []string{"bus", "hall"} {
		t.Run(role, func(t *testing.T) {
			b := start(t, Options{}, "disconnect:"+role+"@1")
			d := dial(t, b, role)
			whole := d.ask("*IDN?")
			d.send("*IDN?")
			got := d.closed()
			if role == "bus" { // a pseudo-terminal loses what was not read before it hung up
				require.Equal(t, whole[:len(got)], got)
				require.Len(t, got, (len(whole)+1)/2)
			}
			require.Equal(t, whole, again(t, b, role).ask("*IDN?"))
		})
	}
}

// again opens a role's port once it is there.
func again(t *testing.T, b *Bench, role string) *dialogue {
	t.Helper()
	for end := time.Now().Add(soon); time.Now().Before(end); {
		if d, err := tryDial(t, b, role); err == nil {
			return d
		}
	}
	t.Fatalf("%s did not come back", role)
	return nil
}

func TestASerialDeviceComesBackUnderAnotherNameBehindTheSamePath(t *testing.T) {
	b := start(t, Options{}, "gone_and_back:hall=200 ms@1")
	d := dial(t, b, "hall")
	path, _, _ := strings.Cut(strings.TrimPrefix(b.Addresses()["hall"], "serial://"), "?")
	before, err := os.Readlink(path)
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(before, "/dev/pts/"))
	whole := d.ask("*IDN?")
	hold, err := os.Open(before) // as a client that has not noticed yet; its number stays taken
	require.NoError(t, err)
	defer hold.Close()
	d.send("*IDN?")
	require.Empty(t, d.closed())
	require.Equal(t, whole, again(t, b, "hall").ask("*IDN?"))
	after, err := os.Readlink(path)
	require.NoError(t, err)
	require.NotEqual(t, before, after)
}

func TestANetworkInstrumentIsGoneForAWhileAndBackOnItsPort(t *testing.T) {
	b := start(t, Options{}, "gone_and_back:bus=200 ms@1")
	d, other := dial(t, b, "bus"), dial(t, b, "bus")
	whole := other.ask("*IDN?")
	began := time.Now()
	d.send("*IDN?")
	require.Empty(t, d.closed())
	require.Empty(t, other.closed(), "all its connections break")
	require.Equal(t, whole, again(t, b, "bus").ask("*IDN?"))
	require.GreaterOrEqual(t, time.Since(began), 200*time.Millisecond)
}

func TestAFullErrorQueueOverflowsByTheStandard(t *testing.T) {
	d := dial(t, start(t, Options{}, "error_queue_full:bus"), "bus")
	d.send("NONSENSE")
	for range queueDepth - 1 {
		require.Contains(t, d.ask("SYST:ERR?"), `-310,"System error`)
	}
	require.Equal(t, `-350,"Queue overflow"`, d.ask("SYST:ERR?"))
	require.Equal(t, `0,"No error"`, d.ask("SYST:ERR?"))
}

func TestASupplyThatIgnoresOffStaysOn(t *testing.T) {
	_, _, d := supplyBench(t, Options{}, "supply_ignores_off:bus")
	d.do("VOLT 5", "OUTP ON", "OUTP OFF")
	require.Equal(t, `1;0,"No error"`, d.ask("OUTP?;:SYST:ERR?"))

	b := start(t, Options{}, "supply_ignores_off:control")
	c := dial(t, b, "control")
	c.send("SET:U 5.00", "OUT:1", "OUT:0")
	require.Contains(t, c.ask("ASK:M"), "OUT 1")
}

func TestASupplyThatSaysZeroIsNotDown(t *testing.T) {
	b, k, d := supplyBench(t, Options{}, "supply_says_zero:bus")
	d.do("VOLT 50", "CURR 3", "OUTP ON")
	k.advance(2 * time.Second)
	require.InDelta(t, 50, d.number("MEAS:VOLT?"), 0.1)
	d.do("OUTP OFF")
	require.Zero(t, d.number("MEAS:VOLT?"))
	require.Greater(t, dial(t, b, "bus_meter").number("MEAS:VOLT:DC?"), 49.0)
}

func TestProtectionThatIsNotAcceptedReadsBackAsItWas(t *testing.T) {
	_, _, d := supplyBench(t, Options{}, "protection_not_accepted:bus")
	d.do("VOLT:PROT 20", "CURR:PROT 0.1", "CURR:PROT:STAT ON")
	require.Equal(t, `9.9E+01;3.3E+00;0;0,"No error"`, d.ask("VOLT:PROT?;:CURR:PROT?;:CURR:PROT:STAT?;:SYST:ERR?"))

	c := dial(t, start(t, Options{}, "protection_not_accepted:control"), "control")
	c.send("SET:UMAX 20.0")
	require.Equal(t, "UMAX 44.0 V", c.ask("ASK:UMAX"))
}

func TestFrozenReadingsStandStill(t *testing.T) {
	b, k, d := supplyBench(t, Options{}, "reading_frozen:bus_meter@2")
	d.do("VOLT 40", "CURR 3", "OUTP ON")
	m := dial(t, b, "bus_meter")
	first := m.number("MEAS:VOLT:DC?")
	require.NotEqual(t, first, m.number("MEAS:VOLT:DC?"), "noise moves a good one")
	stuck := m.number("MEAS:VOLT:DC?")
	k.advance(time.Second)
	require.Equal(t, stuck, m.number("MEAS:VOLT:DC?"))
	require.InDelta(t, 40, d.number("MEAS:VOLT?"), 0.1)
}

func TestALeadFallsOffWhenItIsTold(t *testing.T) {
	b, k, d := supplyBench(t, Options{}, "lead_off:bus_meter@1")
	d.do("VOLT 40", "CURR 3", "OUTP ON")
	k.advance(2 * time.Second)
	m := dial(t, b, "bus_meter")
	require.InDelta(t, 40, m.number("MEAS:VOLT:DC?"), 0.1)
	require.InDelta(t, 0, m.number("MEAS:VOLT:DC?"), busMeterOffset)
}

func TestNoiseSpikesAreRareAndOfTheirSize(t *testing.T) {
	m := dial(t, start(t, Options{Plant: plant.Options{Seed: 3}}, "noise_spikes:bus_meter=25 V"), "bus_meter")
	spikes := 0
	for range 300 {
		if v := m.number("MEAS:VOLT:DC?"); v > 1 {
			require.InDelta(t, 25, v, busMeterOffset)
			spikes++
		}
	}
	// One in ten: 30 of 300, standard deviation 5.
	require.InDelta(t, 30, spikes, 20)
}

func TestFaultsThatBeginLaterLeaveTheStartAlone(t *testing.T) {
	d := dial(t, start(t, Options{}, "silence:bus@1000 s", "answer_wrong:bus@5"), "bus")
	for range 5 {
		require.Equal(t, "0.0E+00", d.ask("VOLT?"))
	}
	require.Contains(t, d.ask("VOLT?"), "Quayside")
	require.Equal(t, "0.0E+00", d.ask("VOLT?"))
}

func TestTwoRunsWithTheSameSeedGiveTheSameReadings(t *testing.T) {
	read := func(seed uint64) (all []string) {
		b, k, d := supplyBench(t, Options{Plant: plant.Options{Seed: seed}})
		d.do("VOLT 20", "CURR 3", "OUTP ON")
		k.advance(time.Second)
		m := dial(t, b, "bus_meter")
		for range 5 {
			all = append(all, m.ask("MEAS:VOLT:DC?"))
		}
		return all
	}
	require.Equal(t, read(5), read(5))
	require.NotEqual(t, read(5), read(6))
}

// hits is how often a fault has hit.
func (h *harm) hits(name string) int {
	h.mu.Lock()
	defer h.mu.Unlock()
	n := 0
	for _, m := range h.faults {
		if m.Name == name {
			n += m.hits
		}
	}
	return n
}
