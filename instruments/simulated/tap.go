package simulated

import (
	"fmt"
	"math"
	"strings"
	"time"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scpi"
)

// What a person sees of a gate on the screen: how much of the time it is up, and between which levels it moves.
const (
	lookFor      = 20 * time.Millisecond
	lookSamples  = 20_011 // no part of any chopping period
	seenShare    = 0.1    // a change of the share of time
	seenOn       = 0.01   // share of time of a gate that is not off
	seenLevel    = 1.2    // V
	gateIsUp     = 3      // V
	afterTheTap  = 60 * time.Millisecond
	steadyAnswer = "steady"
)

// tapAndLook has the person tap a place while they watch gates on the scope's screen. It returns the gate that changed first in the
// order given, "several" where more than one did, or steady.
func (b *Bench) tapAndLook(c *scpi.Call, place string, gates []string) (string, error) {
	before, err := b.onScreen(gates)
	if err != nil {
		return "", err
	}
	if err := b.plant.Tap(place); err != nil {
		return "", err
	}
	if !c.Await(after(afterTheTap)) {
		return "", fmt.Errorf("the person was called away")
	}
	now, err := b.onScreen(gates)
	if err != nil {
		return "", err
	}
	var changed []string
	for i, gate := range gates {
		if now[i].differs(before[i]) {
			changed = append(changed, gate)
		}
	}
	switch len(changed) {
	case 0:
		return steadyAnswer, nil
	case 1:
		return changed[0], nil
	}
	return "several", nil
}

// fires tells which gates a person sees on, at least for a part of the time: the one, "both" or "neither".
func (b *Bench) fires(gates []string) (string, error) {
	seen, err := b.onScreen(gates)
	if err != nil {
		return "", err
	}
	var on []string
	for i, gate := range gates {
		if seen[i].share > seenOn {
			on = append(on, gate)
		}
	}
	switch len(on) {
	case 0:
		return "neither", nil
	case 1:
		return on[0], nil
	}
	return "both", nil
}

// picture is what a gate's trace looks like.
type picture struct{ share, low, high float64 }

func (p picture) differs(q picture) bool {
	return math.Abs(p.share-q.share) > seenShare || math.Abs(p.low-q.low) > seenLevel || math.Abs(p.high-q.high) > seenLevel
}

func (b *Bench) onScreen(gates []string) ([]picture, error) {
	step := quantity.Seconds(lookFor.Seconds() / lookSamples)
	var seen []picture
	for _, gate := range gates {
		if !strings.Contains(gate, ".") {
			return nil, fmt.Errorf("%q is no gate channel", gate)
		}
		volts, err := b.plant.Capture("gate:"+gate, b.now().Add(-lookFor), step, lookSamples, false)
		if err != nil {
			return nil, err
		}
		p := picture{low: float64(volts[0]), high: float64(volts[0])}
		for _, v := range volts {
			if v >= gateIsUp {
				p.share += 1.0 / lookSamples
			}
			p.low, p.high = min(p.low, float64(v)), max(p.high, float64(v))
		}
		seen = append(seen, p)
	}
	return seen, nil
}
