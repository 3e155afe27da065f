package simulated

import (
	"strings"

	"benchwarden/instruments/scpi"
	"benchwarden/instruments/simulated/plant"
)

// Accuracy of what the person reads off a hand-held meter: part of the reading, volts or amperes.
const (
	handMeterGain   = 0.005
	handMeterOffset = 0.05

	handAmmeterGain   = 0.01
	handAmmeterOffset = 0.005 // A
)

// newPerson makes the person at the bench, who does what is asked: moves probes, fits stand-ins, presses the key, reads a
// meter. Only simulated benches have one. A test point or stand-in that is not there is -224.
func (b *Bench) newPerson(p *plant.Plant) *scpiInstrument {
	s := b.newSCPI("person", "person")
	meter := within(s.dice, handMeterGain, handMeterOffset)
	ammeter := within(newDice(b.seed, "person ammeter"), handAmmeterGain, handAmmeterOffset)
	dead := newColdMeter(newDice(b.seed, "person cold"), handMeter)
	text := func(do func(name string) error) scpi.Command {
		return scpi.Command{Takes: 1, Do: func(c *scpi.Call) error {
			name, err := c.String(0)
			if err != nil {
				return err
			}
			return illegal(do(name))
		}}
	}
	s.Handle("PERSon:PLACe", scpi.Command{
		Takes: 2,
		Do: func(c *scpi.Call) error {
			probe, err := c.String(0)
			if err != nil {
				return err
			}
			point, err := c.String(1)
			if err != nil {
				return err
			}
			return illegal(p.Place(probe, point))
		},
		AskTakes: 1,
		Ask: func(c *scpi.Call) (string, error) {
			probe, err := c.String(0)
			return quoted(p.PointOf(probe)), err
		},
	})
	s.Handle("PERSon:FIT", text(p.Fit))
	s.Handle("PERSon:REMove", text(p.Remove))
	s.Handle("PERSon:JOIN", text(func(points string) error {
		a, b, _ := strings.Cut(points, "|")
		return p.Join(a, b)
	}))
	s.query("PERSon:FIT", func(*scpi.Call) (string, error) { return quoted(strings.Join(p.StandIns(), ",")), nil })
	s.query("PERSon:CLEar", func(*scpi.Call) (string, error) { return "1", nil })
	s.query("PERSon:ACT", func(c *scpi.Call) (string, error) {
		p.SetInput("pedal", true)
		c.Await(after(s.pace.of(handTime)))
		p.SetInput("pedal", false)
		return "1", nil
	})
	s.query("PERSon:DEVices", func(*scpi.Call) (string, error) { return scpi.FormatBool(p.Fitted()), nil })
	s.Handle("PERSon:ANSWer", scpi.Command{AskTakes: 1, Ask: func(c *scpi.Call) (string, error) {
		what, err := c.String(0)
		if err != nil {
			return "", err
		}
		if what, byHand := strings.CutPrefix(what, "hand|"); byHand {
			c.Await(after(s.pace.of(handTime)))
			answer, err := b.look(c, what)
			return quoted(answer), illegal(err)
		}
		answer, err := p.Answer(what)
		return quoted(answer), illegal(err)
	}})
	s.Handle("PERSon:READ", scpi.Command{AskTakes: 1, Ask: func(c *scpi.Call) (string, error) {
		point, err := c.String(0)
		if err != nil {
			return "", err
		}
		if what, byHand := strings.CutPrefix(point, "hand|"); byHand {
			c.Await(after(s.pace.of(handTime)))
			x, err := b.operate(c, what, meter, ammeter)
			return scpi.FormatNumber(x), illegal(err)
		}
		if test, leads, two := strings.Cut(point, "|"); two {
			x, err := readCold(p, test, leads)
			return scpi.FormatNumber(dead.read(test, x, handMeter[test].leads)), illegal(err)
		}
		volts, err := p.Point(point)
		if err != nil {
			return "", illegal(err)
		}
		return scpi.FormatNumber(meter.read(float64(volts))), nil
	}})
	s.Handle("PERSon:SWITch", scpi.Command{Takes: 2, Do: func(c *scpi.Call) error {
		name, err := c.String(0)
		if err != nil {
			return err
		}
		on, err := c.Bool(1)
		if err == nil {
			p.SetInput(name, on)
		}
		return err
	}})
	s.Handle("PERSon:TAP", scpi.Command{Takes: 1, Do: func(c *scpi.Call) error {
		place, err := c.String(0)
		if err != nil {
			return err
		}
		err = p.Tap(place)
		c.Await(after(s.pace.of(handTime)))
		return illegal(err)
	}})
	return s
}

func illegal(err error) error {
	if err == nil {
		return nil
	}
	return scpi.NewError(-224, err.Error())
}

func quoted(text string) string { return `"` + strings.ReplaceAll(text, `"`, `""`) + `"` }
