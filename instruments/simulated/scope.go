package simulated

import (
	"context"
	"fmt"
	"math"
	"sync"
	"time"

	"benchwarden/instruments/scpi"
	"benchwarden/instruments/simulated/plant"
)

// What the scope can do.
const (
	channels        = 4
	mostPoints      = 1_000_000
	leastPoints     = 10
	fastestInterval = 4e-9 // 250 MS/s
	slowestInterval = 0.1
	smallestRange   = 0.04 // full scale at the input, V
	largestRange    = 100
	largestProbe    = 1000
	longestRecord   = 25.0 // s; the model remembers somewhat more
)

// Bits of the operation condition register (SCPI-99 volume 2, chapter 20).
const (
	bitMeasuring = 4
	bitWaiting   = 5
)

// Accuracy of the scope: part of the reading, and volts at the tip of the probe. The step of its converter comes on top.
const (
	scopeGain   = 0.015
	scopeOffset = 0.1
)

// probeFactor is what all the probes at the scope's inputs divide by.
const probeFactor = 10

// vertical is how one channel is set. Range and offset are volts at the tip.
type vertical struct {
	on          bool
	attenuation float64
	span        float64 // full scale
	offset      float64 // at the middle of the screen
}

// horizontal and trigger settings.
type sweep struct {
	points   int
	interval float64
	location float64 // of the trigger in the record, 0 to 1
	peak     bool
	source   string // IMM, INT1 to INT4
	level    float64
	slope    string
}

// record is one channel of a finished acquisition.
type record struct {
	codes         []int8
	step, start   float64 // s, from the trigger
	scale, offset float64
}

// scope is the four-channel scope. Its inputs hang on probes that divide by ten; whoever sets another attenuation reads wrong
// volts.
type scope struct {
	*scpiInstrument
	ctx       context.Context
	plant     *plant.Plant
	now       func() time.Time // the model's clock
	deviation [channels]deviation
	noise     []float32 // of the converter, in steps

	channels [channels]vertical
	sweep    sweep
	bits     int
	swapped  bool

	mu       sync.Mutex // holds what follows; an acquisition runs beside the commands
	running  *acquisition
	finished [channels]*record
	started  sync.WaitGroup
}

// acquisition is one sweep under way.
type acquisition struct {
	settings sweep
	channels [channels]vertical
	forced   chan struct{}
	force    func()
	ended    func()
	stop     context.CancelFunc
}

func probeName(channel int) string { return fmt.Sprintf("P%d", channel+1) }

func (b *Bench) newScope(ctx context.Context) *scope {
	s := &scope{scpiInstrument: b.newSCPI("scope", "scope"), ctx: ctx, plant: b.plant, now: b.now}
	for i := range s.deviation {
		s.deviation[i] = within(s.dice, scopeGain, scopeOffset)
	}
	s.noise = converterNoise(s.dice)
	s.reset()
	s.Reset = func() {
		s.abort()
		s.reset()
	}
	s.verticals()
	s.horizontal()
	s.triggers()
	s.traces()
	return s
}

func (s *scope) reset() {
	for i := range s.channels {
		s.channels[i] = vertical{on: i == 0, attenuation: 1, span: 8}
	}
	s.sweep = sweep{points: 1000, interval: 1e-6, location: 0.5, source: "IMM", slope: "POS"}
	s.bits, s.swapped = 8, false
	s.mu.Lock()
	defer s.mu.Unlock()
	s.finished = [channels]*record{}
}

func (s *scope) verticals() {
	s.Handle("INPut<1..4>[:STATe]", scpi.Command{
		Takes: 1,
		Do: func(c *scpi.Call) error {
			on, err := c.Bool(0)
			if err == nil {
				s.of(c).on = on
			}
			return err
		},
		Ask: func(c *scpi.Call) (string, error) { return scpi.FormatBool(s.of(c).on), nil },
	})
	s.channel("INPut<1..4>:ATTenuation", func(v *vertical) (*float64, scpi.Range) {
		return &v.attenuation, scpi.Range{Min: 0.001, Max: largestProbe, Default: 1}
	})
	s.channel("SENSe<1..4>:VOLTage[:DC]:RANGe:PTPeak", func(v *vertical) (*float64, scpi.Range) {
		return &v.span, scpi.Range{Unit: "V", Min: smallestRange * v.attenuation, Max: largestRange * v.attenuation, Default: 8 * v.attenuation}
	})
	s.channel("SENSe<1..4>:VOLTage[:DC]:RANGe:OFFSet", func(v *vertical) (*float64, scpi.Range) {
		most := largestRange * v.attenuation
		return &v.offset, scpi.Range{Unit: "V", Min: -most, Max: most}
	})
}

func (s *scope) of(c *scpi.Call) *vertical { return &s.channels[c.Suffix(0)-1] }

// channel adds a number that each channel has. A new attenuation keeps the range at the input, so that at the tip moves along.
func (s *scope) channel(pattern string, of func(*vertical) (*float64, scpi.Range)) {
	s.Handle(pattern, scpi.Command{
		Takes: 1,
		Do: func(c *scpi.Call) error {
			v := s.of(c)
			field, r := of(v)
			x, err := c.Ranged(0, r)
			if err != nil {
				return err
			}
			if field == &v.attenuation {
				v.span *= x / v.attenuation
				v.offset *= x / v.attenuation
			}
			*field = x
			return nil
		},
		AskTakes: 1,
		Ask: func(c *scpi.Call) (string, error) {
			field, r := of(s.of(c))
			x, err := c.Bound(0, r, *field)
			return scpi.FormatNumber(x), err
		},
	})
}

func (s *scope) horizontal() {
	w := &s.sweep
	s.Handle("SENSe:SWEep:POINts", scpi.Command{
		Takes: 1,
		Do: func(c *scpi.Call) error {
			n, err := c.Ranged(0, pointsRange)
			if err == nil {
				w.points = int(math.Round(n))
			}
			return err
		},
		AskTakes: 1,
		Ask: func(c *scpi.Call) (string, error) {
			n, err := c.Bound(0, pointsRange, float64(w.points))
			return fmt.Sprint(int(n)), err
		},
	})
	s.setting("SENSe:SWEep:TINTerval", scpi.Range{Unit: "S", Min: fastestInterval, Max: slowestInterval, Default: 1e-6},
		func() float64 { return w.interval },
		func(x float64) error { w.interval = math.Round(x*1e9) / 1e9; return nil })
	s.setting("SENSe:SWEep:OREFerence:LOCation", scpi.Range{Min: 0, Max: 1, Default: 0.5},
		func() float64 { return w.location },
		func(x float64) error { w.location = x; return nil })
	s.choice("SENSe:DETector[:FUNCtion]", []string{"SAMPle", "PPEak"},
		func() string {
			if w.peak {
				return "PPE"
			}
			return "SAMP"
		},
		func(word string) error { w.peak = word == "PPE"; return nil })
}

var pointsRange = scpi.Range{Min: leastPoints, Max: mostPoints, Default: 1000}

func (s *scope) triggers() {
	w := &s.sweep
	s.choice("TRIGger:SOURce", []string{"IMMediate", "INTernal1", "INTernal2", "INTernal3", "INTernal4"},
		func() string { return w.source }, func(word string) error { w.source = word; return nil })
	most := float64(largestRange * largestProbe)
	s.setting("TRIGger:LEVel", scpi.Range{Unit: "V", Min: -most, Max: most},
		func() float64 { return w.level }, func(x float64) error { w.level = x; return nil })
	s.choice("TRIGger:SLOPe", []string{"POSitive", "NEGative", "EITHer"},
		func() string { return w.slope }, func(word string) error { w.slope = word; return nil })
	s.action("INITiate[:IMMediate]", s.initiate)
	s.action("ABORt", func() error { s.abort(); return nil })
	s.action("TRIGger[:IMMediate]", s.force)
	s.action("*TRG", s.force)
}

// initiate starts one acquisition; one that is under way is not disturbed.
func (s *scope) initiate() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.running != nil {
		return scpi.NewError(-213, "an acquisition is under way")
	}
	if s.ctx.Err() != nil {
		return scpi.NewError(-200, "the instrument is being switched off")
	}
	if length := float64(s.sweep.points) * s.sweep.interval; length > longestRecord {
		return scpi.NewError(-221, fmt.Sprintf("a record of %g s is longer than %g s", length, longestRecord))
	}
	ctx, stop := context.WithCancel(s.ctx)
	forced := make(chan struct{})
	a := &acquisition{settings: s.sweep, channels: s.channels, forced: forced, stop: stop,
		force: sync.OnceFunc(func() { close(forced) }), ended: s.ops.begin()}
	s.running, s.finished = a, [channels]*record{}
	s.Operation.Set(bitMeasuring, true)
	s.started.Go(func() { s.acquire(ctx, a) })
	return nil
}

// abort ends an acquisition at once; nothing is kept of it.
func (s *scope) abort() {
	s.mu.Lock()
	a := s.running
	s.mu.Unlock()
	if a != nil {
		s.finish(a, nil)
	}
}

// force triggers an acquisition that waits for it.
func (s *scope) force() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.running == nil {
		return scpi.NewError(-211, "nothing waits for a trigger")
	}
	s.running.force()
	return nil
}

// finish ends an acquisition, once; records are nil when it was given up.
func (s *scope) finish(a *acquisition, records *[channels]*record) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.running != a {
		return
	}
	s.running = nil
	if records != nil {
		s.finished = *records
	}
	s.Operation.Set(bitWaiting, false)
	s.Operation.Set(bitMeasuring, false)
	a.stop()
	a.ended()
}

// waiting shows that the acquisition waits for its trigger, or that it came.
func (s *scope) waiting(a *acquisition, waits bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.running == a {
		s.Operation.Set(bitWaiting, waits)
		s.Operation.Set(bitMeasuring, !waits)
	}
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }
