package simulated

import (
	"fmt"
	"strconv"
	"strings"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/simulated/plant"
)

// operate has the person turn, switch or read what a poor bench operates by hand: "bus|set_voltage|30", "control|on",
// "bus_meter|dc_volts". It returns what the person reads, 0 where there is nothing to read.
func (b *Bench) operate(what string, meter deviation) (float64, error) {
	role, act, _ := strings.Cut(what, "|")
	act, value, _ := strings.Cut(act, "|")
	switch role {
	case "bus":
		return operateSupply(b.plant.BusSupply(), act, value)
	case "control":
		return operateSupply(b.plant.ControlSupply(), act, value)
	case "reference":
		return operateSource(b.plant.Reference(), act, value)
	case "bus_meter":
		return meter.read(float64(b.plant.BusTerminals())), nil
	case "meter":
		if act == "dc_volts" {
			return meter.read(b.underMeter()), nil
		}
	}
	return 0, fmt.Errorf("the simulated person does not know how to do %q", what)
}

func operateSupply(s *plant.Supply, act, value string) (float64, error) {
	switch act {
	case "set_voltage", "set_current":
		x, err := strconv.ParseFloat(value, 64)
		if err != nil {
			return 0, err
		}
		if act == "set_voltage" {
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
