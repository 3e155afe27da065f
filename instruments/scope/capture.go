package scope

import (
	"context"
	"fmt"
	"time"

	"benchwarden/instruments/dialect"
	"benchwarden/instruments/link"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// Arm starts a capture as it was configured; one that is under way is given up.
func (s *Scope) Arm(ctx context.Context) error {
	s.note(false, 0)
	return s.s.DoAll(ctx, link.Script, dialect.Call{Command: "stop"}, dialect.Call{Command: "arm"})
}

// Force triggers a capture that waits for its trigger.
func (s *Scope) Force(ctx context.Context) error { return s.s.Do(ctx, link.Script, "force", nil) }

// Stop gives a capture up.
func (s *Scope) Stop(ctx context.Context) error {
	s.note(false, 0)
	return s.s.Do(ctx, link.Script, "stop", nil)
}

// Between two questions for the state.
const (
	pollLeast = time.Millisecond
	pollMost  = 5 * time.Millisecond
)

// Triggered waits until the capture is complete. It is false when the scope still waited for its trigger at the end of
// within; the capture then goes on waiting. A record that was triggered in time may take longer by its own length.
func (s *Scope) Triggered(ctx context.Context, within time.Duration) (bool, error) {
	s.mu.Lock()
	record := s.duration
	s.mu.Unlock()
	start, pause := time.Now(), min(max(record/32, pollLeast), pollMost)
	for {
		waiting, measuring, err := s.state(ctx)
		switch {
		case err != nil:
			return false, err
		case !waiting && !measuring:
			s.note(true, 0)
			return true, nil
		}
		took := time.Since(start)
		if waiting && took >= within {
			return false, nil
		}
		if took >= within+record+time.Second {
			return false, fmt.Errorf("%s: the record of %v is not complete %v after it was armed", s.name, record, took.Round(time.Millisecond))
		}
		timer := time.NewTimer(pause)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return false, fmt.Errorf("%s: waiting for the trigger: %w", s.name, context.Cause(ctx))
		}
	}
}

func (s *Scope) state(ctx context.Context) (waiting, measuring bool, err error) {
	a, err := s.s.Ask(ctx, link.Script, "state", nil)
	if err != nil {
		return false, false, err
	}
	if waiting, err = a.Key("status").Is(dialect.Waiting); err == nil {
		measuring, err = a.Key("status").Is(dialect.Measuring)
	}
	if err != nil {
		return false, false, fmt.Errorf("%s: state: %w", s.name, err)
	}
	return waiting, measuring, nil
}

// Fetch reads the trace of one channel of the last complete capture, in volts at the probe's tip; time 0 is the trigger.
// Before a capture is complete it is ErrNoCapture: an older record is never taken for a newer one.
func (s *Scope) Fetch(ctx context.Context, channel int) (waveform.Trace, error) {
	s.mu.Lock()
	complete := s.complete
	s.mu.Unlock()
	if !complete {
		return waveform.Trace{}, fmt.Errorf("%s: channel %d: %w", s.name, channel, ErrNoCapture)
	}
	of := dialect.Args{"channel": channel}
	head, err := s.preamble(ctx, of)
	if err != nil {
		return waveform.Trace{}, err
	}
	a, err := s.s.Ask(ctx, link.Script, "trace", of)
	if err != nil {
		return waveform.Trace{}, err
	}
	t, err := head.trace(a)
	if err != nil {
		return waveform.Trace{}, fmt.Errorf("%s: channel %d: %w", s.name, channel, err)
	}
	t.Name = fmt.Sprintf("channel %d", channel)
	return t, nil
}

// preamble says how a block is read: volts = (code - zero)·scale + offset.
type preamble struct {
	points              int // 0: not said
	step, start         quantity.Seconds
	scale, offset, zero float64
	clips               bool
	lowClip, highClip   float64
}

func (s *Scope) preamble(ctx context.Context, of dialect.Args) (preamble, error) {
	var h preamble
	if !s.s.Has("preamble") {
		for _, q := range []struct {
			query string
			take  func(float64)
		}{
			{"trace_step", func(x float64) { h.step = quantity.Seconds(x) }},
			{"trace_start", func(x float64) { h.start = quantity.Seconds(x) }},
			{"trace_scale", func(x float64) { h.scale = x }},
			{"trace_offset", func(x float64) { h.offset = x }},
		} {
			a, err := s.s.Ask(ctx, link.Script, q.query, of)
			if err != nil {
				return h, err
			}
			x, err := a.Number()
			if err != nil {
				return h, fmt.Errorf("%s: %s: %w", s.name, q.query, err)
			}
			q.take(x)
		}
		return h, s.usable(h)
	}
	a, err := s.s.Ask(ctx, link.Script, "preamble", of)
	if err != nil {
		return h, err
	}
	var bad error
	number := func(name string) float64 {
		if !a.Has(name) {
			return 0
		}
		x, err := a.Key(name).Number()
		if err != nil && bad == nil {
			bad = fmt.Errorf("%s: preamble: %s: %w", s.name, name, err)
		}
		return x
	}
	h = preamble{
		points: int(number("points")), step: quantity.Seconds(number("step")), start: quantity.Seconds(number("start")),
		scale: number("scale"), offset: number("offset"), zero: number("zero"),
		clips: a.Has("low_clip") && a.Has("high_clip"), lowClip: number("low_clip"), highClip: number("high_clip"),
	}
	if bad != nil {
		return h, bad
	}
	return h, s.usable(h)
}

func (s *Scope) usable(h preamble) error {
	if !(h.step > 0) || h.scale == 0 {
		return fmt.Errorf("%s: the preamble says step %v and scale %g, which is no record", s.name, h.step, h.scale)
	}
	return nil
}

// trace makes volts of a block.
func (h preamble) trace(a dialect.Answer) (waveform.Trace, error) {
	var t waveform.Trace
	scale, offset := h.scale, h.offset-h.zero*h.scale
	lowClip, highClip := h.lowClip, h.highClip
	switch a.Samples() {
	case dialect.Int8:
		t = waveform.FromInt8(a.Block(), scale, offset)
	case dialect.Uint8:
		t = waveform.FromUint8(a.Block(), scale, offset)
	case dialect.Int16:
		t = waveform.FromInt16(a.Words16(), scale, offset)
	case dialect.Uint16: // moved down by half the range to fit
		const half = 1 << 15
		t = waveform.FromInt16(a.Words16(), scale, offset+half*scale)
		lowClip, highClip = lowClip-half, highClip-half
	case dialect.Float32:
		values, err := a.Floats()
		if err != nil {
			return t, err
		}
		for i := range values {
			values[i] = values[i]*scale + offset
		}
		t = waveform.FromFloat64(values)
		lowClip, highClip = lowClip*scale+offset, highClip*scale+offset
	}
	if t.Len() == 0 || h.points > 0 && t.Len() != h.points {
		return t, fmt.Errorf("the preamble announces %d points, %d came: %w", h.points, t.Len(), dialect.ErrUnreadable)
	}
	t.Start, t.Step = h.start, h.step
	if h.clips {
		t = t.WithClip(lowClip, highClip)
	}
	return t, nil
}
