// Package supplytest has supplies in memory that behave like the ones of the dialects plain-supply and terse-supply: they answer
// from their state, which a test may set.
package supplytest

import (
	"fmt"
	"strconv"
	"strings"
	"sync"

	"benchwarden/instruments/dialect/dialecttest"
	"benchwarden/instruments/scpi"
)

// State is what a supply is set to and what it reads.
type State struct {
	On                     bool
	SetVoltage, SetCurrent float64
	OverVoltage            float64
	OverCurrent            float64
	OverCurrentOn          bool
	TrippedVoltage         bool
	TrippedCurrent         bool
	Voltage, Current       float64 // at the terminals
	ConstantCurrent        bool
	Unregulated            bool

	// Deaf makes the supply take protections without setting them, and Stuck makes it ignore being switched off.
	Deaf, Stuck bool
}

// Fake is a supply in memory.
type Fake struct {
	*dialecttest.Instrument
	mu sync.Mutex
	s  State
}

// Get is the state now.
func (f *Fake) Get() State {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.s
}

// Change changes the state.
func (f *Fake) Change(change func(*State)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change(&f.s)
}

// The largest values that the fakes take.
const (
	MostVolts   = 80
	MostAmperes = 5
)

// NewPlain is a supply that speaks plain SCPI-99.
func NewPlain() *Fake {
	f := &Fake{s: State{OverVoltage: 88, OverCurrent: 5.5}}
	d := scpi.NewDevice([4]string{"Quayside Test", "supply", "T1", "1.0"})
	f.Instrument = &dialecttest.Instrument{New: func() dialecttest.Talk {
		session := d.NewSession()
		return dialecttest.TalkFunc(func(message []byte) []byte {
			f.Get().conditions(&d.Questionable)
			return session.Execute(message)
		})
	}}
	number := func(pattern string, most float64, at func(*State) *float64, setting bool) {
		c := scpi.Command{Ask: func(*scpi.Call) (string, error) {
			s := f.Get()
			return scpi.FormatNumber(*at(&s)), nil
		}}
		if setting {
			c.Takes = 1
			c.Do = func(call *scpi.Call) error {
				x, err := call.Ranged(0, scpi.Range{Max: most})
				if err == nil {
					f.Change(func(s *State) {
						if !s.Deaf || !strings.Contains(pattern, "PROT") {
							*at(s) = x
						}
					})
				}
				return err
			}
		}
		d.Handle(pattern, c)
	}
	number("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", MostVolts, func(s *State) *float64 { return &s.SetVoltage }, true)
	number("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", MostAmperes, func(s *State) *float64 { return &s.SetCurrent }, true)
	number("[SOURce:]VOLTage:PROTection[:LEVel]", 1.1*MostVolts, func(s *State) *float64 { return &s.OverVoltage }, true)
	number("[SOURce:]CURRent:PROTection[:LEVel]", 1.1*MostAmperes, func(s *State) *float64 { return &s.OverCurrent }, true)
	number("MEASure[:SCALar]:VOLTage[:DC]", 0, func(s *State) *float64 { return &s.Voltage }, false)
	number("MEASure[:SCALar]:CURRent[:DC]", 0, func(s *State) *float64 { return &s.Current }, false)
	onOff := func(pattern string, set func(*State, bool), get func(State) bool) {
		d.Handle(pattern, scpi.Command{Takes: 1,
			Do: func(c *scpi.Call) error {
				on, err := c.Bool(0)
				if err == nil {
					f.Change(func(s *State) { set(s, on) })
				}
				return err
			},
			Ask: func(*scpi.Call) (string, error) { return scpi.FormatBool(get(f.Get())), nil }})
	}
	onOff("OUTPut[:STATe]", (*State).output, func(s State) bool { return s.On })
	onOff("[SOURce:]VOLTage:PROTection:STATe", func(*State, bool) {}, func(State) bool { return true })
	onOff("[SOURce:]CURRent:PROTection:STATe", func(s *State, on bool) { s.OverCurrentOn = on && !s.Deaf }, func(s State) bool { return s.OverCurrentOn })
	d.Handle("OUTPut:PROTection:CLEar", scpi.Command{Do: func(*scpi.Call) error {
		f.Change(func(s *State) { s.TrippedVoltage, s.TrippedCurrent = false, false })
		return nil
	}})
	return f
}

func (s *State) output(on bool) { s.On = on || s.Stuck && s.On }

// conditions sets the bits that the dialect plain-supply names.
func (s State) conditions(r *scpi.Register) {
	r.Set(0, s.On && (s.ConstantCurrent || s.Unregulated))
	r.Set(1, s.On && (!s.ConstantCurrent || s.Unregulated))
	r.Set(9, s.TrippedVoltage)
	r.Set(10, s.TrippedCurrent)
}

// NewTerse is a supply with the terse serial protocol.
func NewTerse() *Fake {
	f := &Fake{s: State{OverVoltage: 35}}
	f.Instrument = &dialecttest.Instrument{EOL: "\r", New: func() dialecttest.Talk { return dialecttest.TalkFunc(f.terse) }}
	return f
}

func (f *Fake) terse(message []byte) []byte {
	verb, rest, _ := strings.Cut(string(message), ":")
	answer := "ERR"
	switch s := f.Get(); {
	case verb == "OUT" && (rest == "0" || rest == "1"):
		f.Change(func(s *State) { s.output(rest == "1") })
		return nil
	case verb == "SET":
		if f.terseSet(rest) {
			return nil
		}
	case verb == "ASK":
		mode := "CV OUT 1"
		switch {
		case s.TrippedVoltage:
			mode = "OV OUT 0"
		case !s.On:
			mode = "OFF OUT 0"
		case s.ConstantCurrent:
			mode = "CC OUT 1"
		}
		answers := map[string]string{
			"U": fmt.Sprintf("U %.2f V", s.Voltage), "I": fmt.Sprintf("I %.3f A", s.Current),
			"SU": fmt.Sprintf("SU %.2f V", s.SetVoltage), "SI": fmt.Sprintf("SI %.3f A", s.SetCurrent),
			"UMAX": fmt.Sprintf("UMAX %.1f V", s.OverVoltage), "M": "MODE " + mode, "ID": "Quayside,TS-1,T2,1.0 SIMULATED",
		}
		if a, ok := answers[rest]; ok {
			answer = a
		}
	}
	return []byte(answer)
}

func (f *Fake) terseSet(assignment string) bool {
	what, text, _ := strings.Cut(assignment, " ")
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || !(x >= 0) {
		return false
	}
	taken := false
	f.Change(func(s *State) {
		switch {
		case what == "U" && x <= 32:
			s.SetVoltage, taken = x, true
		case what == "I" && x <= 3:
			s.SetCurrent, taken = x, true
		case what == "UMAX" && x <= 35.2:
			taken = true
			if !s.Deaf {
				s.OverVoltage = x
			}
		}
	})
	return taken
}
