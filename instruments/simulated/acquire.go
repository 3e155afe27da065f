package simulated

import (
	"context"
	"math"
	"time"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/simulated/plant"
)

// acquire fills the record before the trigger, waits for it, fills the rest, and takes what the probes saw.
func (s *scope) acquire(ctx context.Context, a *acquisition) {
	w := a.settings
	length := float64(w.points) * w.interval
	before := seconds(w.location * length)
	ready := s.now().Add(before)
	if !s.until(ctx, ready) {
		s.finish(a, nil)
		return
	}
	trigger, ok := ready, true
	if w.source != "IMM" {
		s.waiting(a, true)
		if trigger, ok = s.await(ctx, a, ready); !ok {
			s.finish(a, nil)
			return
		}
		s.waiting(a, false)
	}
	// One interval more, so that peak detection has seen the end of the record.
	if !s.until(ctx, trigger.Add(seconds(length)-before+seconds(w.interval))) {
		s.finish(a, nil)
		return
	}
	var records [channels]*record
	for i, v := range a.channels {
		if v.on && ctx.Err() == nil {
			records[i] = s.take(ctx, i, v, w, trigger.Add(-before))
		}
	}
	s.finish(a, &records)
}

// until waits for an instant of the model's clock.
func (s *scope) until(ctx context.Context, at time.Time) bool {
	for {
		left := at.Sub(s.now())
		if left <= 0 {
			return ctx.Err() == nil
		}
		if !wait(ctx, left) {
			return false
		}
	}
}

// await looks for the trigger from an instant on.
func (s *scope) await(ctx context.Context, a *acquisition, from time.Time) (time.Time, bool) {
	channel := int(a.settings.source[len("INT")] - '1')
	edge := map[string]plant.Edge{"POS": plant.Rising, "NEG": plant.Falling, "EITH": plant.Either}[a.settings.slope]
	tick := time.NewTicker(triggerLookTime)
	defer tick.Stop()
	for {
		now := s.now()
		if point := s.plant.PointOf(probeName(channel)); point != "" {
			level := s.tip(channel, a.channels[channel], a.settings.level)
			at, found, err := s.plant.FindTrigger(point, quantity.Volts(level), edge, from, now)
			if err == nil && found {
				return at, true
			}
		}
		from = now
		select {
		case <-tick.C:
		case <-a.forced:
			return s.now(), true
		case <-ctx.Done():
			return time.Time{}, false
		}
	}
}

// seen is the part of the volts at the tip that a channel shows.
func (s *scope) seen(channel int, v vertical) float64 {
	return v.attenuation / probeFactor * (1 + s.deviation[channel].gain)
}

// offsetOf is the channel's own offset in volts as it shows them.
func (s *scope) offsetOf(channel int, v vertical) float64 {
	return s.deviation[channel].offset * v.attenuation / probeFactor
}

// tip is the voltage at the tip at which a channel shows level.
func (s *scope) tip(channel int, v vertical, level float64) float64 {
	return (level - s.offsetOf(channel, v)) / s.seen(channel, v)
}

// Noise of the scope: part of a step of the converter (practice: well under one step on 8 bits).
const (
	noiseSteps  = 0.4
	noiseLength = 1 << 14
)

// piece is how many samples are asked of the model at a time, an even number: whoever else asks it something waits for one piece
// at most.
const piece = 20_000

// take digitises what a channel's probe saw, 8 bits over its range. A probe that hangs free sees nothing.
func (s *scope) take(ctx context.Context, channel int, v vertical, w sweep, from time.Time) *record {
	r := &record{
		codes: make([]int8, w.points), step: w.interval, start: -w.location * float64(w.points) * w.interval,
		scale: v.span / 256, offset: v.offset,
	}
	gain := s.seen(channel, v) / r.scale
	shift := (s.offsetOf(channel, v) - v.offset) / r.scale
	at := int(uint64(from.UnixNano()) % noiseLength)
	point := s.plant.PointOf(probeName(channel))
	for first := 0; first < w.points && ctx.Err() == nil; first += piece {
		codes := r.codes[first:min(first+piece, w.points)]
		volts := make([]float32, len(codes))
		if point != "" {
			start := from.Add(seconds(float64(first) * w.interval))
			if got, err := s.plant.Capture(point, start, quantity.Seconds(w.interval), len(codes), w.peak); err == nil {
				volts = got
			}
		}
		for i, x := range volts {
			code := float64(x)*gain + shift + float64(s.noise[(at+first+i)%noiseLength])
			codes[i] = int8(max(-128, min(math.Floor(code+0.5), 127)))
		}
	}
	return r
}

// converterNoise is a table of noise, in steps; making each sample's own would take longer than the capture.
func converterNoise(d *dice) []float32 {
	table := make([]float32, noiseLength)
	for i := range table {
		table[i] = float32(noiseSteps * d.normal())
	}
	return table
}
