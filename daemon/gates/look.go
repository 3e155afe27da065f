package gates

import (
	"fmt"
	"math"

	"benchwarden/daemon/drive"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// sighting is what was measured of one channel in one capture pair.
type sighting struct {
	short, long        waveform.Pulses
	hasShort, hasLong  bool
	rare               waveform.Rare // of the long capture
	hasRare            bool
	period             quantity.Seconds // that rare was counted by
	watches            int              // long captures beside the first
	capped             bool             // more were wanted than a Hall state may take
	sag                sagging          // of the level during an on time
	lamp               *bool
	shortStep, longFor quantity.Seconds
	sample             waveform.Trace // the begin of the short capture
}

// look measures one channel.
func (c *Chart) look(short, long waveform.Trace, lamp *bool) *sighting {
	s := &sighting{lamp: lamp}
	o := c.options()
	if s.hasShort = short.Len() > 0; s.hasShort {
		s.short, s.shortStep = waveform.Analyse(short, o), short.Step
		s.sag = sag(short, s.short, o)
		s.sample = c.sample(short, s.short)
	}
	if s.hasLong = long.Len() > 0; s.hasLong {
		s.long, s.longFor = waveform.Analyse(long, o), long.Duration()
		s.rare, s.hasRare = c.missing(long, s)
	}
	return s
}

func (c *Chart) options() waveform.Options {
	g := c.family.Gate
	o := waveform.Options{Gain: c.sight.Gain, Offset: c.sight.Accuracy, Timebase: c.sight.Timebase,
		MinAmplitude: (g.On.Low - g.Off.High) / 10}
	if c.family.Modulation.Kind != drive.UnknownWord {
		o.Expected = (g.On.Low + g.On.High - g.Off.Low - g.Off.High) / 2
	}
	return o
}

// fine is the capture for levels and edges, coarse the one for patterns.
func (s *sighting) fine() (waveform.Pulses, bool) {
	if s.hasShort {
		return s.short, true
	}
	return s.long, s.hasLong
}

func (s *sighting) coarse() (waveform.Pulses, bool) {
	if s.hasLong {
		return s.long, true
	}
	return s.short, s.hasShort
}

// shown is the pattern that a record shows, judged at the device's minimum threshold; why says what makes it unclear.
type shown struct {
	pattern drive.Pattern
	remark  string // worth saying although the pattern is clear
	unclear string
	change  string
}

// pattern reads the pattern of a sighting. expected helps only where two patterns look the same.
func (c *Chart) pattern(s *sighting, expected drive.Pattern) shown {
	p, ok := s.coarse()
	if !ok {
		return shown{unclear: "no capture of this gate", change: "put the probe on it and capture it"}
	}
	found := c.read(p, expected)
	if found.unclear != "" || !s.hasShort || !s.hasLong {
		return found
	}
	if other := c.read(s.short, expected); other.unclear == "" && other.pattern.Switches() != found.pattern.Switches() {
		return shown{unclear: fmt.Sprintf("the short capture shows %s, the long one %s: it changes while nothing else does", other.pattern, found.pattern),
			change: "look at the trace; check the probe's contact"}
	}
	return found
}

func (c *Chart) read(p waveform.Pulses, expected drive.Pattern) shown {
	threshold := c.family.Device.MinimumThreshold
	switch p.Kind {
	case waveform.Constant:
		return constant(p, threshold)
	case waveform.Pulsing:
		return c.pulsing(p, expected)
	}
	return shown{unclear: p.Reason, change: p.Change}
}

func constant(p waveform.Pulses, threshold quantity.Volts) shown {
	if high, ok := p.IsHigh(threshold); ok {
		return shown{pattern: onOff(high)}
	}
	t := float64(threshold)
	switch {
	case !p.Level.Known() && p.Max >= t && p.Min >= t:
		return shown{pattern: drive.On, remark: p.Level.Undecided}
	case !p.Level.Known() && p.Max < t:
		return shown{pattern: drive.Off, remark: p.Level.Undecided}
	case !p.Level.Known():
		return shown{unclear: p.Level.Undecided, change: p.Level.Change}
	}
	return shown{unclear: fmt.Sprintf("it stands at %v, too near the device's threshold of %v to be told", volts(p.Level.Value), threshold),
		change: "measure the level with the meter"}
}

func onOff(on bool) drive.Pattern {
	if on {
		return drive.On
	}
	return drive.Off
}

func (c *Chart) pulsing(p waveform.Pulses, expected drive.Pattern) shown {
	t := float64(c.family.Device.MinimumThreshold)
	if p.High.Known() {
		switch {
		case p.High.Value+p.High.U < t:
			return shown{pattern: drive.Off, remark: fmt.Sprintf("pulses to %v, which never reach the device's threshold", volts(p.High.Value))}
		case p.High.Value-p.High.U < t:
			return shown{unclear: fmt.Sprintf("pulses to %v, too near the device's threshold to be told", volts(p.High.Value)), change: "choose a smaller full scale"}
		}
	}
	if p.Low.Known() && p.Low.Value-p.Low.U > t {
		return shown{pattern: drive.On, remark: fmt.Sprintf("it never goes below %v, above the device's threshold", volts(p.Low.Value))}
	}
	if !p.Duty.Known() {
		if p.Period.Known() {
			return shown{pattern: fallback(expected)}
		}
		return shown{unclear: p.Duty.Undecided, change: p.Duty.Change}
	}
	return shown{pattern: c.nearestDuty(p.Duty.Value, expected)}
}

func fallback(expected drive.Pattern) drive.Pattern {
	if expected.Switches() {
		return expected
	}
	return drive.Chop
}

// nearestDuty names the switching pattern whose duty is nearest; on a tie, or where the duty proves nothing, it is the one
// that was expected.
func (c *Chart) nearestDuty(duty float64, expected drive.Pattern) drive.Pattern {
	candidates := []drive.Pattern{fallback(expected), drive.Chop}
	if c.family.Modulation.Kind != drive.HighChopped {
		candidates = append(candidates, drive.ChopInverse)
	}
	if c.family.Patterns.Idle == "toggle" {
		candidates = append(candidates, drive.Toggle)
	}
	best, distance := candidates[0], math.Inf(1)
	for _, p := range candidates {
		want, known := c.family.DutyOf(p)
		if !known {
			if p == candidates[0] {
				return p
			}
			continue
		}
		if d := math.Abs(duty - float64(want)); d < distance-1e-9 {
			best, distance = p, d
		}
	}
	return best
}

// same says whether a found pattern is the expected one. Where the duty proves nothing, all switching patterns are alike,
// and a saturated loop may hold a channel on that else would chop.
func (c *Chart) same(found, expected drive.Pattern) bool {
	if found == expected {
		return true
	}
	if _, known := c.family.DutyOf(drive.Chop); known || expected == drive.Toggle {
		return false
	}
	if expected.Switches() && found.Switches() {
		return true
	}
	return expected == drive.Chop && found == drive.On && c.family.Modulation.HighestDuty == 0 && c.family.Loop != "open"
}
