package plant

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

// instants are the times in seconds at which samples cross a level, by linear interpolation, rising and falling.
func instants(samples []float32, step, level float64) (rising, falling []float64) {
	for i := 1; i < len(samples); i++ {
		a, b := float64(samples[i-1]), float64(samples[i])
		at := (float64(i-1) + (level-a)/(b-a)) * step
		switch {
		case a < level && b >= level:
			rising = append(rising, at)
		case a > level && b <= level:
			falling = append(falling, at)
		}
	}
	return rising, falling
}

// transition is the 10 to 90 % time of the first whole edge, up or down.
func (b *bench) transition(channel string, up bool) float64 {
	b.t.Helper()
	const step = time.Nanosecond
	period := time.Duration(2.2e9 * b.unit.period)
	s := b.look("gate:"+channel, period, step)
	low, high := float64(min32(s)), float64(max32(s))
	at := func(part float64) (r, f []float64) { return instants(s, 1e-9, low+part*(high-low)) }
	r10, f10 := at(0.1)
	r90, f90 := at(0.9)
	if up {
		require.NotEmpty(b.t, r10)
		for _, t90 := range r90 {
			if t90 > r10[0] {
				return t90 - r10[0]
			}
		}
	} else {
		require.NotEmpty(b.t, f90)
		for _, t10 := range f10 {
			if t10 > f90[0] {
				return t10 - f90[0]
			}
		}
	}
	require.Fail(b.t, "no whole edge")
	return 0
}

func min32(s []float32) float32 {
	m := s[0]
	for _, v := range s {
		m = min(m, v)
	}
	return m
}

func max32(s []float32) float32 {
	m := s[0]
	for _, v := range s {
		m = max(m, v)
	}
	return m
}

func TestEdgesIntoAGateLoadAreASinglePole(t *testing.T) {
	// 10 to 90 % of a single pole is ln 9 · RC (computed); R is driver and gate resistor, C the dummy capacitor, and the
	// probe's own pole is small beside it.
	for _, p := range []Params{heron(), plover(), wren()} {
		b := running(t, p)
		want := math.Log(9) * (driverResistance + float64(p.Gate.Resistor)) * float64(p.Gate.Load)
		require.InEpsilon(t, want, b.transition("A.high", true), 0.09, p.Name)
		require.InEpsilon(t, want, b.transition("A.high", false), 0.09, p.Name)
		require.Less(t, b.transition("A.high", true), float64(p.Gate.Rise))
	}
}

func TestUnloadedEdgesAreAProbes(t *testing.T) {
	for _, faults := range [][]string{nil, {"weak_driver:A.high"}} {
		b := running(t, heron(), faults...)
		require.NoError(t, b.Remove("gate_capacitors"))
		b.wait(10 * time.Millisecond)
		require.Less(t, b.transition("A.high", true), 30e-9, "without a gate load even a weak driver looks fast")
	}
}

// leg gives the pauses between the two gates of a leg at the device's threshold over the last d.
func (b *bench) pauses(leg string, d time.Duration) (highToLow, lowToHigh []float64) {
	b.t.Helper()
	const step = 5 * time.Nanosecond
	level := float64(b.params.Device.MinimumThreshold)
	hr, hf := instants(b.look("gate:"+leg+".high", d, step), step.Seconds(), level)
	lr, lf := instants(b.look("gate:"+leg+".low", d, step), step.Seconds(), level)
	pair := func(from, to []float64) (out []float64) {
		for _, a := range from {
			best := math.Inf(1)
			for _, t := range to {
				if abs(t-a) < abs(best) {
					best = t - a
				}
			}
			if abs(best) < b.unit.period/8 {
				out = append(out, best)
			}
		}
		return out
	}
	return pair(hf, lr), pair(lf, hr)
}

func TestDeadTimeWhileChopping(t *testing.T) {
	for _, p := range []Params{heron(), wren()} {
		b := running(t, p)
		down, up := b.pauses("A", 2*time.Millisecond)
		require.Greater(t, len(down), 10)
		for _, pause := range append(down, up...) {
			require.GreaterOrEqual(t, pause, float64(p.Modulation.DeadTime.Shortest))
			require.LessOrEqual(t, pause, float64(p.Modulation.DeadTime.Longest))
			require.InDelta(t, float64(p.Modulation.DeadTime.Shortest+p.Modulation.DeadTime.Longest)/2, pause, 50e-9)
		}
	}
}

func TestHighSideChoppingNeverAlternatesWithinALegWhileACodeIsHeld(t *testing.T) {
	b := running(t, plover())
	for _, code := range turn60 {
		b.Hall().SetCode(code)
		b.wait(50 * time.Millisecond)
		for _, leg := range []string{"A", "B", "C"} {
			high, low := b.duty(leg+".high"), b.duty(leg+".low")
			require.True(t, high == 0 || low == 0, "code %03b leg %s: %v and %v", code, leg, high, low)
		}
	}
}

func TestReversalShowsTheDeadTimeOfBothLegs(t *testing.T) {
	// The leg that chopped high goes to its low side, and the other way round: once a reversal.
	for _, p := range []Params{heron(), plover()} {
		b := running(t, p)
		for range 5 {
			for _, sign := range []quantity.Volts{-1, 1} {
				b.Reference().SetVoltage(sign * p.Reference.Sweep)
				b.wait(8 * time.Millisecond)
				pauses, up := b.pauses("A", 8*time.Millisecond)
				if sign > 0 {
					pauses = up
				}
				require.NotEmpty(t, pauses, p.Name)
				for _, pause := range pauses {
					require.InDelta(t, float64(p.Modulation.DeadTime.Shortest+p.Modulation.DeadTime.Longest)/2, pause, 60e-9, p.Name)
				}
				b.wait(40 * time.Millisecond)
			}
		}
	}
}

func TestFloatingHighSides(t *testing.T) {
	tests := []struct {
		p         Params
		needsNode bool
	}{{heron(), false}, {plover(), true}, {wren(), true}}
	for _, tt := range tests {
		t.Run(tt.p.Name+": "+tt.p.Gate.HighSideSupply, func(t *testing.T) {
			b := running(t, tt.p)
			require.Greater(t, b.duty("A.high"), 0.1)
			if !tt.needsNode {
				require.Error(t, b.Remove("switch_node_jumpers"), "such a drive needs none")
				return
			}
			require.NoError(t, b.Remove("switch_node_jumpers"))
			b.wait(50 * time.Millisecond)
			own := b.look("gate:A.high", 10*time.Millisecond, time.Microsecond)
			require.InDelta(t, 0, float64(min32(own)), 0.1)
			require.InDelta(t, 0, float64(max32(own)), 0.1, "against its own source it never moves")
			require.InDelta(t, 0, b.volts("driver:A.high"), 0.1, "its driver has no supply")
			negative := b.look("negative:A.high", 10*time.Millisecond, time.Microsecond)
			require.Greater(t, float64(min32(negative)), 8., "against bus negative it looks stuck on")
			lows := 0.0
			for _, leg := range tt.p.Bridge.Legs {
				lows += b.duty(leg + ".low")
			}
			require.Greater(t, lows, 0.9, "the low sides go on")
		})
	}
}

func TestNoGateTwitchesOnAGoodDrive(t *testing.T) {
	for _, p := range []Params{heron(), plover(), wren()} {
		t.Run(p.Name, func(t *testing.T) {
			b := newBench(t, p, Options{Seed: 5, Spread: true})
			b.prepare()
			b.Contact("inhibit").Set(true)
			b.ask(p.Reference.Sweep)
			b.power()
			off := b.ControlSupply()
			if p.Control.Feed == "from_bus" {
				off = b.BusSupply()
			}
			for v := quantity.Volts(24); v > 0; v -= 0.5 { // a slow sag
				off.SetVoltage(v)
				b.wait(100 * time.Millisecond)
			}
			off.SetOutput(false)
			b.wait(2 * time.Second)
			for _, c := range p.Bridge.Channels {
				s, err := b.Capture("gate:"+c.Name, b.start, 10e-6, 800_000, true)
				require.NoError(t, err)
				require.Less(t, float64(max32(s)), float64(p.Device.MinimumThreshold), c.Name)
			}
		})
	}
}

func TestPeakDetectionShowsWhatSamplesMiss(t *testing.T) {
	b := running(t, heron(), "ringing:A.high=0.3")
	const n = 900
	from := b.now.Add(-90 * time.Millisecond)
	sampled, err := b.Capture("gate:A.high", from, 100e-6, n, false)
	require.NoError(t, err)
	peaks, err := b.Capture("gate:A.high", from, 100e-6, n, true)
	require.NoError(t, err)
	fine := b.look("gate:A.high", 2*time.Millisecond, 2*time.Nanosecond)
	require.InDelta(t, float64(max32(fine)), float64(max32(peaks)), 0.3)
	require.InDelta(t, float64(min32(fine)), float64(min32(peaks)), 0.3)
	for i := 0; i < n; i += 2 {
		require.LessOrEqual(t, peaks[i], peaks[i+1])
		require.LessOrEqual(t, peaks[i], sampled[i]+1e-3)
		require.GreaterOrEqual(t, peaks[i+1], sampled[i+1]-1e-3)
	}
}

func TestCapturesAreRepeatable(t *testing.T) {
	// The same window gives the same samples, now and later, and windows that overlap agree.
	b := running(t, plover(), "pulses_missing:A.high=20", "jitter")
	from := b.now.Add(-20 * time.Millisecond)
	one, err := b.Capture("gate:A.high", from, 20e-9, 100_000, false)
	require.NoError(t, err)
	b.wait(3 * time.Second)
	two, err := b.Capture("gate:A.high", from, 20e-9, 100_000, false)
	require.NoError(t, err)
	require.Equal(t, one, two)
	part, err := b.Capture("gate:A.high", from.Add(time.Millisecond), 20e-9, 1000, false)
	require.NoError(t, err)
	require.InDeltaSlice(t, one[50_000:51_000], part, 0.02)
}

func TestSeedMakesTheUnit(t *testing.T) {
	trace := func(seed uint64) []float32 {
		b := newBench(t, wren(), Options{Seed: seed, Spread: true})
		b.prepare()
		b.power()
		b.ask(4)
		return b.look("gate:A.high", time.Millisecond, 100*time.Nanosecond)
	}
	require.Equal(t, trace(11), trace(11))
	require.NotEqual(t, trace(11), trace(12))
}

func TestTriggerFindsTheInstantThatASampleShows(t *testing.T) {
	b := running(t, heron())
	from := b.now.Add(-5 * time.Millisecond)
	for _, e := range []Edge{Rising, Falling, Either} {
		at, found, err := b.FindTrigger("gate:A.high", 4.5, e, from, b.now)
		require.NoError(t, err)
		require.True(t, found)
		s, err := b.Capture("gate:A.high", at.Add(-100*time.Nanosecond), 1e-9, 200, false)
		require.NoError(t, err)
		r, f := instants(s, 1e-9, 4.5)
		require.Len(t, append(r, f...), 1)
		require.InDelta(t, 100e-9, append(r, f...)[0], 2e-9)
		switch e {
		case Rising:
			require.Len(t, r, 1)
		case Falling:
			require.Len(t, f, 1)
		}
	}
	_, found, err := b.FindTrigger("gate:A.high", 20, Either, from, b.now)
	require.NoError(t, err)
	require.False(t, found)
	_, _, err = b.FindTrigger("gate:Q.high", 5, Either, from, b.now)
	require.ErrorContains(t, err, "gate:A.high")
}

func TestTriggerOnTheControlSupplyComingUp(t *testing.T) {
	b := newBench(t, heron(), Options{})
	b.prepare()
	before := b.now
	b.power()
	at, found, err := b.FindTrigger("control", 12, Rising, before, b.now)
	require.NoError(t, err)
	require.True(t, found)
	require.InDelta(t, 15e-3, at.Sub(before).Seconds(), 3e-3, "halfway up a rise of 30 ms")
}

func TestHistoryIsForgottenButNotTheLastThirtySeconds(t *testing.T) {
	b := running(t, plover())
	b.Hall().Spacing(60)
	b.Hall().Run(100, false)
	for range 60 {
		b.wait(time.Second)
		b.Reference().SetVoltage(quantity.Volts(3 * (1 - 2*float64(b.now.Second()%2))))
	}
	require.Less(t, len(b.log.segments), 40_000)
	s, err := b.Capture("gate:A.high", b.now.Add(-29*time.Second), 1e-6, 1_000_000, false)
	require.NoError(t, err)
	require.Greater(t, float64(max32(s)), 10.)
}

func BenchmarkCapture(b *testing.B) {
	t := &testing.T{}
	for _, p := range []Params{heron(), plover(), wren()} {
		r := running(t, p)
		for _, window := range []struct {
			name string
			step quantity.Seconds
		}{{"250 MS/s", 4e-9}, {"1 MS/s", 1e-6}} {
			b.Run(p.Name+" "+window.name, func(b *testing.B) {
				for b.Loop() {
					for _, point := range []string{"gate:A.high", "gate:A.low", "control", "gate:B.low"} {
						if _, err := r.Capture(point, r.now.Add(-99*time.Millisecond), window.step, 100_000, false); err != nil {
							b.Fatal(err)
						}
					}
				}
			})
		}
	}
}

func BenchmarkFindTriggerInASecond(b *testing.B) {
	r := running(&testing.T{}, plover())
	r.wait(time.Second)
	for b.Loop() {
		if _, found, err := r.FindTrigger("gate:A.high", 20, Rising, r.now.Add(-time.Second), r.now); found || err != nil {
			b.Fatal(found, err)
		}
	}
}

func BenchmarkAdvanceOneSecond(b *testing.B) {
	for _, p := range []Params{heron(), plover()} {
		r := running(&testing.T{}, p)
		b.Run(p.Name, func(b *testing.B) {
			for b.Loop() {
				r.wait(time.Second)
				r.Input("pedal")
			}
		})
	}
}
