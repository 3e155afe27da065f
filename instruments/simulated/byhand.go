package simulated

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scpi"
	"benchwarden/instruments/simulated/plant"
)

// operate has the person turn, switch or read what a poor bench operates by hand: "bus|set_voltage|30", "control|on",
// "bus_meter|dc_volts". It returns what the person reads, 0 where there is nothing to read.
func (b *Bench) operate(c *scpi.Call, what string, meter, ammeter deviation) (float64, error) {
	role, act, _ := strings.Cut(what, "|")
	act, value, _ := strings.Cut(act, "|")
	switch role {
	case "hall":
		return 0, operateHall(b.plant.Hall(), act, value)
	case "contacts":
		return 0, b.operateContact(act, value)
	case "scope":
		if act == "arm" {
			return 0, b.stick.arm(value)
		}
	case "bus":
		return operateSupply(b.plant.BusSupply(), act, value, nil)
	case "control":
		return operateSupply(b.plant.ControlSupply(), act, value, func() { c.Await(after(b.pace.of(turnTime))) })
	case "reference":
		return operateSource(b.plant.Reference(), act, value)
	case "bus_meter":
		return meter.read(float64(b.plant.BusTerminals())), nil
	case "meter":
		if act == "dc_volts" {
			return meter.read(b.underMeter()), nil
		}
		if amperes, inLead := b.plant.Current(b.plant.PointOf("M1")); act == "dc_current" && inLead {
			return ammeter.read(float64(amperes)), nil
		}
	}
	return 0, fmt.Errorf("the simulated person does not know how to do %q", what)
}

// turns are the small steps in which a person turns the control supply's knob.
const turns = 20

// operateSupply has the person turn or switch a supply; between two steps of a turn they take their time.
func operateSupply(s *plant.Supply, act, value string, between func()) (float64, error) {
	switch act {
	case "set_voltage", "set_current":
		x, err := strconv.ParseFloat(value, 64)
		if err != nil {
			return 0, err
		}
		if act == "set_voltage" {
			if from := float64(s.Read().Voltage); between != nil && x < from {
				for n := 1; n < turns; n++ {
					s.SetVoltage(quantity.Volts(from + (x-from)*float64(n)/turns))
					between()
				}
			}
			s.SetVoltage(quantity.Volts(x))
		} else {
			s.SetCurrentLimit(quantity.Amperes(x))
		}
		s.SetOVP(s.Spec().Highest * 2) // there is none
		return x, nil
	case "on", "off":
		s.SetOutput(act == "on")
		return 0, nil
	case "read_voltage":
		return float64(s.Read().Voltage), nil
	case "read_current":
		return max(0, float64(s.Read().Current)), nil
	}
	return 0, fmt.Errorf("nobody can %q a supply", act)
}

func operateSource(s *plant.Source, act, value string) (float64, error) {
	switch act {
	case "set_voltage":
		x, err := strconv.ParseFloat(value, 64)
		if err == nil {
			s.SetVoltage(quantity.Volts(x))
		}
		return x, err
	case "on", "off":
		s.SetOutput(act == "on")
		return 0, nil
	case "read_voltage":
		return float64(s.Read().Voltage), nil
	case "set_current", "read_current":
		return 0, nil
	}
	return 0, fmt.Errorf("nobody can %q a potentiometer", act)
}

func operateHall(h *plant.Hall, act, value string) error {
	switch act {
	case "on", "off":
		h.SetOutput(act == "on")
		return nil
	case "code":
		code, err := strconv.Atoi(value)
		if err == nil {
			h.SetCode(code)
		}
		return err
	case "line":
		number, state, _ := strings.Cut(value, "|")
		line, err := strconv.Atoi(number)
		to, known := map[string]plant.LineState{"driven": plant.Driven, "open": plant.Open, "short": plant.Short}[state]
		if err != nil || !known || line < 1 || line > 3 {
			return fmt.Errorf("nobody can make a Hall line %q", value)
		}
		h.SetLine(line, to)
		return nil
	}
	return fmt.Errorf("nobody can %q the Hall switches", act)
}

func (b *Bench) operateContact(act, name string) error {
	if (act != "close" && act != "open") || !slices.Contains(outputNames, name) {
		return fmt.Errorf("nobody can %q a contact %q", act, name)
	}
	b.plant.Contact(name).Set(act == "close")
	return nil
}

// look is what the person sees or exports: "contacts|look|fault_lamp", "scope|capture|...".
func (b *Bench) look(c *scpi.Call, what string) (string, error) {
	role, act, _ := strings.Cut(what, "|")
	act, value, _ := strings.Cut(act, "|")
	switch {
	case role == "contacts" && act == "look":
		if value == "fault_lamp" && b.params.FaultLamp != "" {
			value = b.params.FaultLamp
		}
		if b.plant.Input(value) {
			return "closed", nil
		}
		return "open", nil
	case role == "scope" && act == "capture":
		if err := b.stick.arm(value); err != nil {
			return "", err
		}
		return b.stick.export(c)
	case role == "scope" && act == "file":
		return b.stick.export(c)
	case role == "scope" && act == "fires":
		return b.fires(strings.Split(value, ","))
	case role == "scope" && act == "tap":
		place, gates, _ := strings.Cut(value, "|")
		return b.tapAndLook(c, place, strings.Split(gates, ","))
	}
	return "", fmt.Errorf("the simulated person does not know how to tell %q", what)
}
