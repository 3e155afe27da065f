package simulated

import (
	"sync"
	"time"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scpi"
	"benchwarden/instruments/simulated/plant"
)

// Bits of the questionable condition register of a supply. SCPI-99 volume 2, chapter 20, gives bit 0 to the voltage and bit 1
// to the current; the others are free for the instrument.
const (
	bitVoltage = 0 // the voltage is not regulated: CC
	bitCurrent = 1 // the current is not regulated: CV
	bitOVP     = 9
	bitOCP     = 10
)

// output is what a supply and the reference have in common.
type output interface {
	SetOutput(on bool)
	SetVoltage(quantity.Volts)
	Read() plant.Reading
}

// supply is a supply as its commands show it: SCPI-99, over-current protection with a level of its own.
type supply struct {
	*scpiInstrument
	out output
	mu  sync.Mutex // keeps the bits in the order of the readings
}

// newSupply makes the supply of a role, programmable from lowest to highest.
func (b *Bench) newSupply(role, kind string, out output, lowest, highest quantity.Volts) *supply {
	s := &supply{scpiInstrument: b.newSCPI(role, kind), out: out}
	s.instrument.refresh = s.conditions
	volts := scpi.Range{Unit: "V", Min: float64(lowest), Max: float64(highest)}
	s.setting("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", volts,
		func() float64 { return float64(out.Read().SetVoltage) },
		func(x float64) error {
			set := func() {
				out.SetVoltage(quantity.Volts(x))
				s.conditions()
			}
			if late, ok := s.harm.take(followsLate); ok {
				time.AfterFunc(time.Duration(late*float64(time.Second)), set) // *OPC? does not wait for it
				return nil
			}
			set()
			return nil
		})
	s.timed("MEASure[:SCALar]:VOLTage[:DC]", supplyReadTime, func() float64 {
		return s.measure("voltage", func(r plant.Reading) float64 { return float64(r.Voltage) })
	})
	s.timed("MEASure[:SCALar]:CURRent[:DC]", supplyReadTime, func() float64 {
		return s.measure("current", func(r plant.Reading) float64 { return float64(r.Current) })
	})
	s.Handle("OUTPut[:STATe]", scpi.Command{
		Takes: 1,
		Do: func(c *scpi.Call) error {
			on, err := c.Bool(0)
			if err != nil {
				return err
			}
			return s.switchTo(c, on)
		},
		Ask: func(*scpi.Call) (string, error) { return scpi.FormatBool(out.Read().On), nil },
	})
	s.Reset = func() {
		s.off()
		out.SetVoltage(0)
	}
	return s
}

// switchTo switches the output. Off is at once; on takes its time, in which another connection may do what it likes, and then
// comes whatever became of the connection.
func (s *supply) switchTo(c *scpi.Call, on bool) error {
	if !on {
		s.off()
		return nil
	}
	if r := s.out.Read(); r.OVP || r.OCP {
		return scpi.NewError(-221, "a protection has tripped and was not cleared")
	}
	done := s.ops.later(s.pace.of(switchOnTime), func() {
		s.out.SetOutput(true)
		s.conditions()
	})
	c.Await(done)
	return nil
}

func (s *supply) off() {
	if s.harm.acts(ignoresOff) {
		return
	}
	s.out.SetOutput(false)
	s.conditions()
}

// measure reads the output back.
func (s *supply) measure(what string, of func(plant.Reading) float64) float64 {
	r := s.out.Read()
	x := of(r)
	if what == "voltage" && !r.On && s.harm.acts(saysZero) {
		x = 0
	}
	return s.harm.reading(what, x, what == "voltage")
}

// conditions brings the bits of the questionable register up to date.
func (s *supply) conditions() {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := s.out.Read()
	s.Questionable.Set(bitVoltage, r.Mode == plant.CC)
	s.Questionable.Set(bitCurrent, r.Mode == plant.CV)
	s.Questionable.Set(bitOVP, r.OVP)
	s.Questionable.Set(bitOCP, r.OCP)
}

// protection is how the protections are set; the plant's supply does not tell.
type protection struct {
	voltage, current     float64
	voltageOn, currentOn bool
}

// newFullSupply makes a supply with current limit and protections.
func (b *Bench) newFullSupply(role string, out *plant.Supply) *supply {
	spec := out.Spec()
	s := b.newSupply(role, "watched supply", out, spec.Lowest, spec.Highest)
	most := float64(spec.Current)
	s.setting("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", scpi.Range{Unit: "A", Max: most},
		func() float64 { return float64(out.Read().SetCurrent) },
		func(x float64) error {
			out.SetCurrentLimit(quantity.Amperes(x))
			s.conditions()
			return nil
		})
	s.protections(out)
	s.watched()
	return s
}

// beyond is how far a protection can be set where the output goes to most.
func beyond(most float64) float64 { return most + most/10 }

// lowestOVP stands for a level of 0 V: to the plant's supply 0 is no protection.
const lowestOVP = 1e-6

func (s *supply) protections(out *plant.Supply) {
	spec := out.Spec()
	volts := scpi.Range{Unit: "V", Max: beyond(float64(spec.Highest)), Default: beyond(float64(spec.Highest))}
	amperes := scpi.Range{Unit: "A", Max: beyond(float64(spec.Current)), Default: beyond(float64(spec.Current))}
	now := protection{voltage: volts.Default, current: amperes.Default, voltageOn: true}
	set := func(to protection) error {
		if s.harm.acts(notAccepted) {
			return nil
		}
		now = to
		if to.voltageOn {
			out.SetOVP(quantity.Volts(max(to.voltage, lowestOVP)))
		} else {
			out.SetOVP(0)
		}
		out.SetOCP(quantity.Amperes(to.current), to.currentOn)
		s.conditions()
		return nil
	}
	out.SetOVP(quantity.Volts(now.voltage))
	out.SetOCP(quantity.Amperes(now.current), false)
	s.setting("[SOURce:]VOLTage:PROTection[:LEVel]", volts, func() float64 { return now.voltage }, func(x float64) error {
		to := now
		to.voltage = x
		return set(to)
	})
	s.toggle("[SOURce:]VOLTage:PROTection:STATe", func() bool { return now.voltageOn }, func(on bool) error {
		to := now
		to.voltageOn = on
		return set(to)
	})
	s.setting("[SOURce:]CURRent:PROTection[:LEVel]", amperes, func() float64 { return now.current }, func(x float64) error {
		to := now
		to.current = x
		return set(to)
	})
	s.toggle("[SOURce:]CURRent:PROTection:STATe", func() bool { return now.currentOn }, func(on bool) error {
		to := now
		to.currentOn = on
		return set(to)
	})
	s.query("[SOURce:]VOLTage:PROTection:TRIPped", func(*scpi.Call) (string, error) { return scpi.FormatBool(out.Read().OVP), nil })
	s.query("[SOURce:]CURRent:PROTection:TRIPped", func(*scpi.Call) (string, error) { return scpi.FormatBool(out.Read().OCP), nil })
	s.action("OUTPut:PROTection:CLEar", func() error {
		out.ClearProtection()
		s.conditions()
		return nil
	})
	reset := s.Reset
	s.Reset = func() {
		reset()
		out.SetCurrentLimit(0)
		out.ClearProtection()
		_ = set(protection{voltage: volts.Default, current: amperes.Default, voltageOn: true})
	}
}
