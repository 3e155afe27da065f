package gates

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/drive"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// board is a drive without devices as these tests draw it: its own commutation and its own pulses, so that it cannot agree
// with a mistake of what it tests.
type board struct {
	family   *drive.Family
	kind     string // complementary, high_side, locked_antiphase
	hall     map[string][2]string
	period   float64
	duty     float64
	dead     map[string][2]float64 // leg: high to low, low to high
	on, off  float64
	tau      float64
	channels map[string]*gate
	reads    func(code int) int // what the drive makes of the Hall code
	refuses  bool               // fires nothing
	deaf     drive.Direction    // answers the reference in the other direction only
	turned   bool
	swapped  [2]string
	latch    bool
	latched  bool
	idleDuty float64
	jitter   float64 // of the chopping period, for all channels alike
	seen     map[string]waveform.Trace
}

// gate is how one channel of the board differs from a good one.
type gate struct {
	stuck             string // on, off, dead
	on, off           float64
	tauUp, tauDown    float64
	onDelay, offDelay float64
	ring, jitter      float64
	missEvery         int
	sag               float64
}

// Source: data sheet "10 A, 500 V, 3-phase IGBT brushless motor controller", Rev. B 10/00, "Commutation truth table": Hall code to
// high and low switch, forward.
var table120 = map[string][2]string{"100": {"A", "C"}, "110": {"B", "C"}, "010": {"B", "A"}, "011": {"C", "A"}, "001": {"C", "B"}, "101": {"A", "B"}}
var table60 = map[string][2]string{"100": {"A", "C"}, "110": {"B", "C"}, "111": {"B", "A"}, "011": {"C", "A"}, "001": {"C", "B"}, "000": {"A", "B"}}

func newBoard(t *testing.T, name string) *board {
	t.Helper()
	f, err := drive.LoadNamed([]string{"../../configs/families"}, name)
	require.NoError(t, err)
	b := &board{family: f, channels: map[string]*gate{}, reads: func(c int) int { return c }, dead: map[string][2]float64{},
		seen: map[string]waveform.Trace{}, idleDuty: 0.5}
	dead := 0.0
	switch name {
	case "heron":
		b.kind, b.hall, b.period, b.duty, b.on, b.off, b.tau, dead = "complementary", table120, 125e-6, 0.3, 15, -8, 81e-9, 3e-6
	case "plover":
		b.kind, b.hall, b.period, b.duty, b.on, b.off, b.tau, dead = "high_side", table60, 50e-6, 0.95, 11.6, 0, 61e-9, 0.8e-6
	case "wren":
		b.kind, b.period, b.duty, b.on, b.off, b.tau, dead = "locked_antiphase", 1/18e3, 0.7, 10, 0, 59e-9, 1e-6
	case "unknown":
		b.kind, b.hall, b.period, b.duty, b.on, b.off, b.tau, dead = "high_side", table120, 60e-6, 0.95, 12, 0, 61e-9, 0.8e-6
	}
	for _, c := range f.Bridge.Channels {
		b.channels[c.Name] = &gate{on: b.on, off: b.off, tauUp: b.tau, tauDown: b.tau}
		b.dead[c.Leg] = [2]float64{dead, dead}
	}
	return b
}

// pattern is what the control section asks of a channel: off, on, or a part of the period.
func (b *board) pattern(code int, d drive.Direction, channel string) string {
	code = b.reads(code)
	leg, side, _ := strings.Cut(channel, ".")
	if b.turned {
		d = other(d)
	}
	if b.refuses || b.latched {
		return "off"
	}
	if b.deaf == d {
		if b.family.Patterns.Idle == "toggle" {
			return "toggle " + side
		}
		return "off"
	}
	if b.kind == "locked_antiphase" {
		if (leg == "A") == (d == drive.Forward) {
			return "first " + side
		}
		return "second " + side
	}
	pair, ok := b.hall[fmt.Sprintf("%03b", code)]
	if !ok {
		b.latched = b.latch
		return "off"
	}
	if d == drive.Reverse {
		pair = [2]string{pair[1], pair[0]}
	}
	switch {
	case leg == pair[0] && side == "high":
		return "first high"
	case leg == pair[0] && b.kind == "complementary":
		return "first low"
	case leg == pair[1] && side == "low":
		return "on"
	}
	return "off"
}

// edges lists when the channel is told to go on and off over a record; from is its state at the beginning.
func (b *board) edges(asked, leg string, length float64) (times []float64, from bool) {
	dead := b.dead[leg]
	if asked == "on" || asked == "off" {
		return nil, asked == "on"
	}
	which, side, _ := strings.Cut(asked, " ")
	duty := b.duty
	switch {
	case which == "toggle":
		duty = b.idleDuty
	case which == "second":
		duty = 1 - b.duty
	}
	for k := -1; float64(k)*b.period < length; k++ {
		start := (float64(k)+0.37)*b.period + b.jitter*rand.New(rand.NewPCG(uint64(k+1), 0)).NormFloat64()
		if side == "high" {
			lead := dead[1]
			if b.kind == "high_side" {
				lead = 0
			}
			times = append(times, start+lead, start+duty*b.period)
		} else {
			times = append(times, start+duty*b.period+dead[0], start+b.period)
		}
	}
	return times, false
}

// trace draws a gate against its own source, as a scope of 8 bits over 40 V sees it.
func (b *board) trace(channel, asked string, step float64, samples int) waveform.Trace {
	leg, _, _ := strings.Cut(channel, ".")
	times, on := b.edges(asked, leg, float64(samples)*step)
	return b.draw(channel, asked, times, on, step, samples)
}

func (b *board) draw(channel, asked string, times []float64, on bool, step float64, samples int) waveform.Trace {
	g := b.channels[channel]
	key := fmt.Sprint(*g, b.dead, asked, step, samples, times[:min(2, len(times))], b.idleDuty, b.jitter)
	if t, ok := b.seen[key]; ok {
		return t
	}
	rng := rand.New(rand.NewPCG(uint64(len(asked)), uint64(samples)))
	switch g.stuck {
	case "on":
		times, on = nil, true
	case "off", "dead":
		times, on = nil, false
	}
	lowest, scale := -20.0, 40.0/256
	codes := make([]byte, samples)
	level := func(on bool) float64 {
		switch {
		case g.stuck == "dead":
			return 0
		case on:
			return g.on
		}
		return g.off
	}
	shifted := g.shift(times, on, rng)
	next, since, ringing := 0, 0.0, 0.0
	for next < len(shifted) && shifted[next] <= 0 {
		on, next = !on, next+1
	}
	v := level(on)
	up, down := 1-math.Exp(-step/g.tauUp), 1-math.Exp(-step/g.tauDown)
	for i := range codes {
		now := float64(i) * step
		for next < len(shifted) && shifted[next] <= now {
			on = !on
			next, since = next+1, now
			if on {
				ringing = g.ring
			}
		}
		target := level(on)
		if on && g.sag > 0 {
			target -= g.sag * (now - since) / (b.duty * b.period)
		}
		if target > v {
			v += (target - v) * up
		} else {
			v += (target - v) * down
		}
		shown := v
		if ringing > 0 && on {
			age := now - since
			shown += ringing * (1 - math.Exp(-age/g.tauUp)) * math.Exp(-age/600e-9) * math.Sin(2*math.Pi*age/400e-9)
		}
		codes[i] = byte(math.Round(max(0, min(255, (shown+rng.NormFloat64()*0.05-lowest)/scale))))
	}
	t := waveform.FromUint8(codes, scale, lowest)
	t.Name, t.Step = channel, quantity.Seconds(step)
	b.seen[key] = t
	return t
}

// shift moves the edges by the channel's own delays and jitter, and takes pulses out.
func (g *gate) shift(times []float64, on bool, rng *rand.Rand) []float64 {
	var out []float64
	for i := 0; i < len(times); i += 2 {
		if pulse := i / 2; g.missEvery > 0 && !on && pulse%g.missEvery == g.missEvery/2 {
			continue
		}
		late := rng.NormFloat64() * g.jitter
		out = append(out, times[i]+g.onDelay+late)
		if i+1 < len(times) {
			out = append(out, times[i+1]+g.offDelay+late)
		}
	}
	return out
}

const (
	shortStep, shortSamples = 25e-9, 50_000
	longStep, longSamples   = 0.5e-6, 40_000
)

func (b *board) pair(leg string, ask func(channel string) string, step float64, samples int) Pair {
	at := func(side string) waveform.Trace {
		channel := leg + "." + side
		if i := slices.Index(b.swapped[:], channel); i >= 0 {
			channel = b.swapped[1-i]
		}
		return b.trace(channel, ask(channel), step, samples)
	}
	return Pair{High: at("high"), Low: at("low")}
}

// sweep takes a whole chart of the board.
func (b *board) sweep(t *testing.T, s Sight) *Chart {
	t.Helper()
	c := New(b.family, s)
	for _, leg := range b.family.Bridge.Legs {
		for _, d := range drive.Directions() {
			b.latched = false
			for _, code := range b.family.Walk(d) {
				ask := func(channel string) string { return b.pattern(code, d, channel) }
				v := View{Leg: leg, Code: code, Direction: d, Short: b.pair(leg, ask, shortStep, shortSamples)}
				if strings.Contains(ask(leg+".high")+ask(leg+".low"), " ") { // something chops
					v.Long = b.pair(leg, ask, longStep, longSamples)
				}
				require.NoError(t, c.Add(v))
			}
		}
		if b.family.Modulation.DeadTime.Seen != "chopping" {
			b.reversal(t, c, leg)
		}
	}
	return c
}

// reversal: the high gate chops, goes off for good, the low gate comes on after the dead time, goes off, the high gate chops
// again.
func (b *board) reversal(t *testing.T, c *Chart, leg string) {
	t.Helper()
	dead := b.dead[leg]
	length := float64(shortSamples) * shortStep
	var high []float64
	hand := 0.0
	for k := 0; hand < length/3; k++ {
		start := float64(k) * b.period
		hand = start + b.duty*b.period
		high = append(high, start, hand)
	}
	low := []float64{hand + dead[0], 2 * length / 3}
	for start := 2*length/3 + dead[1]; start < length; start += b.period {
		high = append(high, start, start+b.duty*b.period)
	}
	p := Pair{
		High: b.draw(leg+".high", "reversal", high, false, shortStep, shortSamples),
		Low:  b.draw(leg+".low", "reversal", low, false, shortStep, shortSamples),
	}
	require.NoError(t, c.AddReversal(leg, p))
}

// quiet adds a situation in which every channel does what ask says.
func (b *board) quiet(t *testing.T, c *Chart, check, subject string, s drive.Situation, ask func(channel string) string) {
	t.Helper()
	for _, leg := range b.family.Bridge.Legs {
		require.NoError(t, c.AddQuiet(Quiet{Check: check, Subject: subject, Situation: s, Leg: leg, Pair: b.pair(leg, ask, longStep, longSamples)}))
	}
}
