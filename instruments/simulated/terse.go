package simulated

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
	"sync"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/simulated/plant"
)

// terse is a supply with a handful of commands of its own: answers with units, no error queue, no over-current protection.
// Whatever it does not know, or cannot be set to, it answers with ERR and does nothing.
type terse struct {
	instrument
	out  *plant.Supply
	most float64 // UMAX, V

	mu  sync.Mutex
	ops operations
}

// newTerse makes the supply of a role.
func (b *Bench) newTerse(role string, out *plant.Supply) *terse {
	s := &terse{out: out, most: beyond(float64(out.Spec().Highest))}
	s.instrument = instrument{
		role: role, eol: "\r", pace: b.pace, harm: b.harmOf(role), split: splitAt('\r'),
		talk:     func() conversation { return terseTalk{s} },
		identity: "Quayside,TS-1," + b.serial(role) + "," + version + " SIMULATED",
	}
	out.SetOVP(quantity.Volts(s.most))
	return s
}

func splitAt(end byte) func([]byte) ([]byte, []byte, bool) {
	return func(buf []byte) (message, rest []byte, ok bool) { return bytes.Cut(buf, []byte{end}) }
}

// terseTalk is the only connection.
type terseTalk struct{ *terse }

func (terseTalk) Close() {}

const terseError = "ERR"

// Execute carries out one message.
func (s terseTalk) Execute(message []byte) []byte {
	text := string(message)
	if text == "" {
		return nil
	}
	verb, value, ok := strings.Cut(text, ":")
	if !ok {
		return []byte(terseError)
	}
	answer := terseError
	switch verb {
	case "ASK":
		answer = s.ask(value)
	case "OUT":
		answer = s.output(value)
	case "SET":
		answer = s.set(value)
	}
	if answer == "" {
		return nil
	}
	return []byte(answer)
}

func (s *terse) ask(what string) string {
	r := s.out.Read()
	switch what {
	case "U":
		volts := float64(r.Voltage)
		if !r.On && s.harm.acts(saysZero) {
			volts = 0
		}
		return fmt.Sprintf("U %.2f V", s.harm.reading(what, volts, true))
	case "I":
		return fmt.Sprintf("I %.3f A", s.harm.reading(what, float64(r.Current), false))
	case "SU":
		return fmt.Sprintf("SU %.2f V", float64(r.SetVoltage))
	case "SI":
		return fmt.Sprintf("SI %.3f A", float64(r.SetCurrent))
	case "UMAX":
		s.mu.Lock()
		defer s.mu.Unlock()
		return fmt.Sprintf("UMAX %.1f V", s.most)
	case "M":
		return "MODE " + terseMode(r)
	case "ID":
		return s.identity
	}
	return terseError
}

func terseMode(r plant.Reading) string {
	switch {
	case r.OVP:
		return "OV OUT 0"
	case !r.On:
		return "OFF OUT 0"
	case r.Mode == plant.CC:
		return "CC OUT 1"
	}
	return "CV OUT 1"
}

// output switches; a supply whose over-voltage protection has tripped is cleared by OUT:0.
func (s *terse) output(value string) string {
	switch value {
	case "0":
		if !s.harm.acts(ignoresOff) {
			s.out.SetOutput(false)
			s.out.ClearProtection()
		}
	case "1":
		if s.out.Read().OVP {
			return terseError
		}
		if on := s.ops.later(s.pace.of(switchOnTime), func() { s.out.SetOutput(true) }); on != nil {
			<-on
		}
	default:
		return terseError
	}
	return ""
}

func (s *terse) set(assignment string) string {
	what, text, _ := strings.Cut(assignment, " ")
	spec := s.out.Spec()
	most := map[string]float64{"U": float64(spec.Highest), "I": float64(spec.Current), "UMAX": beyond(float64(spec.Highest))}
	x, err := strconv.ParseFloat(text, 64)
	if limit, known := most[what]; !known || err != nil || !plainDecimal(text) || !(x >= 0 && x <= limit) {
		return terseError
	}
	switch what {
	case "U":
		s.out.SetVoltage(quantity.Volts(x))
	case "I":
		s.out.SetCurrentLimit(quantity.Amperes(x))
	case "UMAX":
		if s.harm.acts(notAccepted) {
			return ""
		}
		s.mu.Lock()
		s.most = x
		s.mu.Unlock()
		s.out.SetOVP(quantity.Volts(max(x, lowestOVP)))
	}
	return ""
}

// plainDecimal is what the supply's firmware reads: digits with at most one point.
func plainDecimal(text string) bool {
	return strings.Trim(text, "0123456789.") == "" && strings.Count(text, ".") <= 1
}
