package simulated

import (
	"fmt"
	"strconv"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scpi"
	"benchwarden/instruments/simulated/plant"
)

// highestElectrical is the highest frequency that the Hall source runs at, Hz.
const highestElectrical = 5000

// hall is the Hall source with the wire contract that anybody can build to. CODE? and LINE? answer what was set,
// SENSe:HALL:CODE? what the lines show.
type hall struct {
	*scpiInstrument
	out *plant.Hall

	on, running, reverse bool
	code, spacing        int
	lines                [3]string // DRIV, OPEN, SHOR
	frequency            float64
}

func (b *Bench) newHall(out *plant.Hall) *hall {
	h := &hall{scpiInstrument: b.newSCPI("hall", "Hall source"), out: out}
	h.reset()
	h.Reset = h.reset
	h.toggle("OUTPut[:STATe]", func() bool { return h.on }, func(on bool) error {
		h.on = on
		h.out.SetOutput(on)
		return nil
	})
	h.Handle("[SOURce:]HALL:CODE", scpi.Command{Takes: 1, Do: h.setCode, Ask: func(*scpi.Call) (string, error) { return strconv.Itoa(h.code), nil }})
	h.Handle("[SOURce:]HALL:LINE<1..3>", scpi.Command{Takes: 1, Do: h.setLine, Ask: func(c *scpi.Call) (string, error) { return h.lines[c.Suffix(0)-1], nil }})
	h.Handle("[SOURce:]HALL:SPACing", scpi.Command{Takes: 1, Do: h.setSpacing, Ask: func(*scpi.Call) (string, error) { return strconv.Itoa(h.spacing), nil }})
	h.choice("[SOURce:]HALL:MODE", []string{"HOLD", "RUN"},
		func() string {
			if h.running {
				return "RUN"
			}
			return "HOLD"
		},
		func(word string) error {
			h.running = word == "RUN"
			h.turn()
			return nil
		})
	h.setting("[SOURce:]HALL:FREQuency", scpi.Range{Unit: "HZ", Min: 0.01, Max: highestElectrical, Default: 1},
		func() float64 { return h.frequency },
		func(x float64) error {
			h.frequency = x
			h.turn()
			return nil
		})
	h.choice("[SOURce:]HALL:DIRection", []string{"FORWard", "REVerse"},
		func() string {
			if h.reverse {
				return "REV"
			}
			return "FORW"
		},
		func(word string) error {
			h.reverse = word == "REV"
			h.turn()
			return nil
		})
	h.query("SENSe:HALL:CODE", func(*scpi.Call) (string, error) { return strconv.Itoa(h.out.Lines()), nil })
	return h
}

// reset is *RST: all lines open, which is what the output being off means, and driven again once it is on.
func (h *hall) reset() {
	h.on, h.running, h.reverse = false, false, false
	h.code, h.spacing, h.frequency = 0, 120, 1
	h.lines = [3]string{"DRIV", "DRIV", "DRIV"}
	h.out.SetOutput(false)
	h.out.SetCode(0)
	h.out.Spacing(h.spacing)
	for line := range h.lines {
		h.out.SetLine(line+1, plant.Driven)
	}
}

// turn runs from the present code on, or holds it.
func (h *hall) turn() {
	frequency := h.frequency
	if !h.running {
		frequency = 0
	}
	h.out.Run(quantity.Hertz(frequency), h.reverse)
}

func (h *hall) setCode(c *scpi.Call) error {
	code, err := c.Int(0, 0, 7)
	if err != nil {
		return err
	}
	if h.running {
		return scpi.NewError(-221, "a code is set in mode HOLD")
	}
	h.code = code
	h.out.SetCode(code)
	return nil
}

func (h *hall) setLine(c *scpi.Call) error {
	word, err := c.Keyword(0, "DRIVen", "OPEN", "SHORt")
	if err != nil {
		return err
	}
	line := c.Suffix(0)
	h.lines[line-1] = word
	h.out.SetLine(line, map[string]plant.LineState{"DRIV": plant.Driven, "OPEN": plant.Open, "SHOR": plant.Short}[word])
	return nil
}

func (h *hall) setSpacing(c *scpi.Call) error {
	degrees, err := c.Int(0, 60, 120)
	if err != nil {
		return err
	}
	if degrees != 60 && degrees != 120 {
		return scpi.NewError(-224, fmt.Sprintf("%d degrees: 60 or 120", degrees))
	}
	h.spacing = degrees
	h.out.Spacing(degrees)
	return nil
}
