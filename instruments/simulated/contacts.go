package simulated

import (
	"fmt"
	"strings"

	"benchwarden/instruments/scpi"
	"benchwarden/instruments/simulated/plant"
)

// The contacts by channel, from 1. The bench file says the same.
var (
	outputNames = []string{"enable", "limit_forward", "limit_reverse", "thermal", "charge_ok", "inhibit", "bus_contactor", "beacon", "sounder"}
	inputNames  = []string{"interlock", "fault_lamp", "pedal"}
)

// newContacts makes the unit with relays and inputs. A relay moves in some milliseconds.
func (b *Bench) newContacts(p *plant.Plant, faultLamp string) *scpiInstrument {
	s := b.newSCPI("contacts", "contacts")
	all := make([]int, len(outputNames))
	for i := range all {
		all[i] = i + 1
	}
	move := func(c *scpi.Call, channels []int, closed bool) {
		c.Await(s.ops.later(s.pace.of(contactTime), func() {
			for _, n := range channels {
				p.Contact(outputNames[n-1]).Set(closed)
			}
		}))
	}
	set := func(closed bool) func(*scpi.Call) error {
		return func(c *scpi.Call) error {
			channels, err := channelList(c, len(outputNames))
			if err == nil {
				move(c, channels, closed)
			}
			return err
		}
	}
	state := func(want bool) func(*scpi.Call) (string, error) {
		return func(c *scpi.Call) (string, error) {
			channels, err := channelList(c, len(outputNames))
			if err != nil {
				return "", err
			}
			states := make([]string, len(channels))
			for i, n := range channels {
				states[i] = scpi.FormatBool(p.Contact(outputNames[n-1]).Closed() == want)
			}
			return strings.Join(states, ","), nil
		}
	}
	s.Handle("[ROUTe:]CLOSe", scpi.Command{Takes: 1, Do: set(true), AskTakes: 1, Ask: state(true)})
	s.Handle("[ROUTe:]OPEN", scpi.Command{Takes: 1, Do: set(false), AskTakes: 1, Ask: state(false)})
	s.Handle("[ROUTe:]OPEN:ALL", scpi.Command{Do: func(c *scpi.Call) error {
		move(c, all, false)
		return nil
	}})
	s.query(fmt.Sprintf("SENSe:DIGital:DATA:BIT<1..%d>", len(inputNames)), func(c *scpi.Call) (string, error) {
		name := inputNames[c.Suffix(0)-1]
		if name == "fault_lamp" && faultLamp != "" {
			name = faultLamp
		}
		return scpi.FormatBool(p.Input(name)), nil
	})
	s.Reset = func() {
		for _, name := range outputNames {
			p.Contact(name).Set(false)
		}
	}
	return s
}

func channelList(c *scpi.Call, most int) ([]int, error) {
	list, err := c.Channels(0)
	if err != nil {
		return nil, err
	}
	for _, n := range list {
		if n < 1 || n > most {
			return nil, scpi.NewError(-222, fmt.Sprintf("channel %d: there are 1 to %d", n, most))
		}
	}
	return list, nil
}
