package simulated

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scpi"
	"benchwarden/instruments/simulated/plant"
)

// brushed is a two-leg drive with the figures of the family wren: 60 V bus, 24 V control supply of its own, locked anti-phase.
func brushed() plant.Params {
	p := plant.Params{Name: "wren", FaultLamp: "fault_lamp", Reset: "enable", Inhibit: &plant.Permissive{Contact: "inhibit", Normal: "open"}}
	p.Bridge = plant.Bridge{Legs: []string{"A", "B"}, Channels: []plant.Channel{
		{Name: "A.high", Leg: "A", Kind: "high", Rail: "pump"}, {Name: "A.low", Leg: "A", Kind: "low", Rail: "driver"},
		{Name: "B.high", Leg: "B", Kind: "high", Rail: "pump"}, {Name: "B.low", Leg: "B", Kind: "low", Rail: "driver"},
	}}
	p.Permissives = map[string]plant.Permissive{"enable": {Contact: "enable", Normal: "closed"}}
	p.Device = plant.Device{Kind: "mosfet", MinimumThreshold: 1.5}
	p.Gate = plant.Gate{HighSideSupply: "charge_pump", On: plant.Band{Low: 9, High: 11.5}, Off: plant.Band{Low: -0.5, High: 0.5}, Load: 3.3e-9, Resistor: 15, Rise: 300e-9, Fall: 300e-9}
	p.Modulation = plant.Modulation{Kind: "locked_antiphase", Frequency: 18e3, Within: 0.04, DeadTime: plant.DeadTime{Shortest: 0.6e-6, Longest: 1.6e-6}, Jitter: 300e-9}
	p.Commutation, p.Loop, p.Patterns = "none", "open", plant.Patterns{Idle: "toggle"}
	p.StandIns = []plant.StandIn{{Name: "switch_node_jumpers"}, {Name: "gate_capacitors"}}
	p.Control = plant.Control{Feed: "separate", Nominal: 24, Current: 0.35, Start: 14, Stop: 12, Settle: 0.2}
	p.Rails = map[string]plant.Rail{"logic": {Nominal: 5, Within: 0.04, Ripple: 0.1}, "driver": {Nominal: 10, Within: 0.06, Ripple: 0.3}, "pump": {Nominal: 10, Within: 0.08, Ripple: 0.4}}
	p.Bus = plant.Bus{Nominal: 60, Reduced: 30, Capacitance: 1000e-6, CapWithin: 0.2, Bleeder: 1800, BleedWithin: 0.1, Quiescent: plant.CurrentBand{Low: 0.014, High: 0.021}}
	p.Reference = plant.Reference{FullScale: 10, Sweep: 4, Offset: 0.1}
	return p
}

// start runs a bench until the test ends. Its instruments take no time, the model's clock is the real one.
func start(t *testing.T, o Options, faults ...string) *Bench {
	t.Helper()
	if o.Params.Name == "" {
		o.Params = brushed()
	}
	drive, own, err := ParseFaults(faults)
	require.NoError(t, err)
	o.Plant.Faults = append(o.Plant.Faults, drive...)
	o.Faults = append(o.Faults, own...)
	b, err := Start(t.Context(), o)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	return b
}

// within is how long a test waits for anything.
const soon = 10 * time.Second

// dialogue is a bare client: bytes out, bytes in, nothing of the program's own links.
type dialogue struct {
	t *testing.T
	io.ReadWriteCloser
	in  *bufio.Reader
	eol string
}

type deadlines interface{ SetDeadline(time.Time) error }

// dial opens a role's socket or pseudo-terminal.
func dial(t *testing.T, b *Bench, role string) *dialogue {
	t.Helper()
	d, err := tryDial(t, b, role)
	require.NoError(t, err)
	return d
}

func tryDial(t *testing.T, b *Bench, role string) (*dialogue, error) {
	t.Helper()
	address, d := b.Addresses()[role], &dialogue{t: t, eol: "\n"}
	var err error
	if host, ok := strings.CutPrefix(address, "tcp://"); ok {
		d.ReadWriteCloser, err = net.Dial("tcp", host)
	} else {
		path, settings, _ := strings.Cut(strings.TrimPrefix(address, "serial://"), "?")
		if strings.Contains(settings, "eol=cr") {
			d.eol = "\r"
		}
		d.ReadWriteCloser, err = os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	}
	if err != nil {
		return nil, err
	}
	require.NoError(t, d.ReadWriteCloser.(deadlines).SetDeadline(time.Now().Add(soon)))
	d.in = bufio.NewReader(d)
	t.Cleanup(func() { d.Close() })
	return d, nil
}

func (d *dialogue) send(messages ...string) {
	d.t.Helper()
	for _, m := range messages {
		_, err := io.WriteString(d, m+d.eol)
		require.NoError(d.t, err)
	}
}

// do sends messages and waits until they were carried out.
func (d *dialogue) do(messages ...string) {
	d.t.Helper()
	d.send(messages...)
	require.Equal(d.t, "1", d.ask("*OPC?"))
}

// line reads one answer.
func (d *dialogue) line() string {
	d.t.Helper()
	s, err := d.in.ReadString(d.eol[len(d.eol)-1])
	require.NoError(d.t, err)
	return strings.TrimSuffix(s, d.eol)
}

func (d *dialogue) ask(question string) string {
	d.t.Helper()
	d.send(question)
	return d.line()
}

func (d *dialogue) number(question string) float64 {
	d.t.Helper()
	x, err := scpi.ParseNumber(d.ask(question))
	require.NoError(d.t, err)
	return x
}

// block reads one definite-length block and its terminator.
func (d *dialogue) block(question string) []byte {
	d.t.Helper()
	d.send(question)
	head := make([]byte, 2)
	_, err := io.ReadFull(d.in, head)
	require.NoError(d.t, err)
	require.Equal(d.t, byte('#'), head[0])
	digits := make([]byte, head[1]-'0')
	_, err = io.ReadFull(d.in, digits)
	require.NoError(d.t, err)
	n := 0
	for _, c := range digits {
		n = 10*n + int(c-'0')
	}
	data := make([]byte, n)
	_, err = io.ReadFull(d.in, data)
	require.NoError(d.t, err)
	require.Equal(d.t, "", d.line(), "the block ends with its length, then comes the terminator")
	return data
}

// until asks until the answer satisfies.
func (d *dialogue) until(question string, good func(answer string) bool) string {
	d.t.Helper()
	for {
		if a := d.ask(question); good(a) { // the connection's deadline ends it
			return a
		}
	}
}

// closed waits for the end of the connection and returns what came before it.
func (d *dialogue) closed() string {
	d.t.Helper()
	rest, err := io.ReadAll(d.in)
	if err != nil {
		require.False(d.t, errors.Is(err, os.ErrDeadlineExceeded), "the connection did not end")
	}
	return string(rest)
}

func TestEveryInstrumentSaysThatItIsSimulated(t *testing.T) {
	b := start(t, Options{Plant: plant.Options{Seed: 7}})
	for role, kind := range map[string]string{
		"bus": "watched supply", "reference": "reference source", "bus_meter": "meter", "meter": "meter", "hall": "Hall source", "scope": "scope",
		"contacts": "contacts", "person": "person", "matrix": "matrix",
	} {
		require.Equal(t, "Quayside Simulated,"+kind+" SIMULATED,SIM-"+role+"-7,1.0", dial(t, b, role).ask("*IDN?"), role)
	}
	require.Equal(t, "Quayside,TS-1,SIM-control-7,1.0 SIMULATED", dial(t, b, "control").ask("ASK:ID"))
	require.Len(t, b.Addresses(), 11)
}

func TestRunEndsWithItsContextAndLeavesNothingBehind(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	b, err := Start(ctx, Options{Params: brushed()})
	require.NoError(t, err)
	d := dial(t, b, "bus")
	d.ask("*IDN?")
	stop()
	require.NoError(t, b.Run(ctx))
	require.Empty(t, d.closed())
	_, err = os.Stat(b.dir)
	require.ErrorIs(t, err, os.ErrNotExist)
	_, err = net.Dial("tcp", strings.TrimPrefix(b.Addresses()["bus"], "tcp://"))
	require.Error(t, err)
}

func TestTheBenchFileNamesEveryAddress(t *testing.T) {
	b := start(t, Options{Name: "left"})
	file := b.BenchFile()
	for _, address := range b.Addresses() {
		require.True(t, bytes.Contains(file, []byte("link: "+address+"\n")), address)
	}
	require.Contains(t, string(file), "bench: left\n")
	require.Contains(t, string(file), "voltage_range: "+quantity.Volts(90).String())
}

// clock is the model's, wound on by the test.
type clock struct{ ns atomic.Int64 }

func newClock() *clock {
	c := &clock{}
	c.ns.Store(time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC).UnixNano())
	return c
}

func (c *clock) now() time.Time          { return time.Unix(0, c.ns.Load()) }
func (c *clock) advance(d time.Duration) { c.ns.Add(int64(d)) }
