package station

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/gates"
	"benchwarden/daemon/script"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scope"
	"benchwarden/instruments/waveform"
)

// ProbeAt names the probe that stands on a test point now.
func (r *rig) ProbeAt(point string) (string, bool) {
	r.station.mu.Lock()
	defer r.station.mu.Unlock()
	for probe, at := range r.station.places {
		if at == point {
			return probe, true
		}
	}
	return "", false
}

func (r *rig) probe(name string) (bench.Probe, bool) {
	i := slices.IndexFunc(r.station.cfg.File.Probes, func(p bench.Probe) bool { return p.Name == name })
	if i < 0 {
		return bench.Probe{}, false
	}
	return r.station.cfg.File.Probes[i], true
}

// scopeProbe is the scope probe that stands on a test point.
func (r *rig) scopeProbe(point string) (bench.Probe, error) {
	r.station.mu.Lock()
	defer r.station.mu.Unlock()
	for _, p := range r.station.cfg.File.Probes {
		if p.Role == bench.Scope && r.station.places[p.Name] == point {
			return p, nil
		}
	}
	return bench.Probe{}, fmt.Errorf("scope: no probe stands on %s; the script has to ask for one with person.place", point)
}

// Sight says how well the scope sees a leg's gates.
func (r *rig) Sight(leg string) gates.Sight {
	accuracy, _ := r.station.cfg.File.Accuracy(bench.Scope, "voltage")
	s := gates.Sight{
		Accuracy: quantity.Volts(accuracy.Absolute), Gain: accuracy.Relative, Instrument: bench.Scope, Probes: map[string]string{},
	}
	for point, p := range r.station.cfg.File.ProbesFor(leg) {
		channel, isGate := strings.CutPrefix(point, "gate:")
		if !isGate {
			continue
		}
		if high, _ := r.family.Leg(leg); channel == high {
			s.SkewHigh = p.Skew
		} else {
			s.SkewLow = p.Skew
		}
	}
	for _, c := range r.family.Bridge.Channels {
		for point, p := range r.station.cfg.File.ProbesFor(c.Leg) {
			if point == "gate:"+c.Name {
				s.Probes[c.Name] = p.Name
			}
		}
	}
	return s
}

var edges = map[string]scope.Edge{"rising": scope.Rising, "falling": scope.Falling, "either": scope.Either}

// Arm sets the scope up for the points and starts it.
func (r *rig) Arm(ctx context.Context, c script.Capture) (script.Pending, error) {
	s, err := r.bench().Scope()
	if err != nil {
		return nil, err
	}
	setup := scope.Setup{Channels: map[int]scope.Vertical{}, Rate: c.Rate, Points: c.Samples, PeakDetect: c.Peak}
	channels := map[string]int{}
	for _, point := range c.Points {
		p, err := r.scopeProbe(point)
		if err != nil {
			return nil, err
		}
		channels[point] = p.Channel
		setup.Channels[p.Channel] = scope.Vertical{FullScale: c.High - c.Low, Centre: (c.High + c.Low) / 2, Factor: p.Factor,
			Tip: fmt.Sprintf("probe %s, %s", p.Name, words(point))}
	}
	if c.Trigger != "" {
		channel, ok := channels[c.Trigger]
		if !ok {
			return nil, fmt.Errorf("scope: the trigger %s is not among the points %v", c.Trigger, c.Points)
		}
		edge, ok := edges[c.Edge]
		if !ok {
			return nil, fmt.Errorf("scope: edge %q is none of rising, falling, either", c.Edge)
		}
		setup.Trigger = scope.Trigger{Channel: channel, Level: c.Level, Edge: edge, Position: c.Position}
	}
	if err := s.Configure(ctx, setup); err != nil {
		return nil, err
	}
	if err := s.Arm(ctx); err != nil {
		return nil, err
	}
	record := quantity.Seconds(float64(c.Samples) / float64(c.Rate)).Duration()
	if c.Trigger != "" && !r.ByHand(bench.Scope) {
		// A scope sees no trigger before it has filled the part of the record that lies before it.
		if err := pause(ctx, time.Duration(float64(c.Position)*float64(record))+armedMargin); err != nil {
			return nil, err
		}
	}
	return pending{scope: s, channels: channels, record: record}, nil
}

// armedMargin is what a scope may take to start filling its record after it was told to (common practice, no source).
const armedMargin = 30 * time.Millisecond

func pause(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// pending is a capture that was started.
type pending struct {
	scope    bench.Viewer
	channels map[string]int
	record   time.Duration
}

func (p pending) Wait(ctx context.Context, within time.Duration) (map[string]waveform.Trace, bool, error) {
	triggered, err := p.scope.Triggered(ctx, within+p.record)
	if err != nil || !triggered {
		return nil, false, err
	}
	traces := map[string]waveform.Trace{}
	for point, channel := range p.channels {
		t, err := p.scope.Fetch(ctx, channel)
		if err != nil {
			return nil, false, err
		}
		t.Name = point
		traces[point] = t
	}
	return traces, true, nil
}
