package plant

import (
	"fmt"
	"slices"
	"strings"
)

// Places that are tapped beside "driver:A.high" (a gate driver and its resistors) and "rail:logic" (a rail's parts).
const (
	HallConnector    = "hall connector"
	ControlConnector = "control connector" // permissives, inhibit, reference
)

// Tap knocks on a place of the board; empty is a knock that shakes all of it. A fault that comes when tapped is there for the
// next two seconds where the knock is at the part that has it.
func (p *Plant) Tap(place string) error {
	if places := p.places(); place != "" && !slices.Contains(places, place) {
		return fmt.Errorf("no place %q to tap on this drive; there are %s", place, strings.Join(places, ", "))
	}
	p.do(func() { p.tappedUntil, p.tappedAt = p.now+tapLasts, place })
	return nil
}

// places lists where the board can be tapped.
func (p *Plant) places() []string {
	all := []string{ControlConnector}
	if p.params.Commutation != "none" {
		all = append(all, HallConnector)
	}
	for _, c := range p.params.Bridge.Channels {
		all = append(all, "driver:"+c.Name)
	}
	for _, rail := range keys(p.params.Rails) {
		all = append(all, "rail:"+rail)
	}
	return all
}

// feels says whether a knock at a place reaches the part that has the fault. Parts that have no place of their own feel every knock.
func (f Fault) feels(place string) bool {
	k, _ := KindOf(f.Name)
	switch {
	case place == "":
		return true
	case k.Class == ClassRails:
		return place == "rail:"+f.Target
	case k.Target == "channel", k.Target == "high side":
		return place == "driver:"+f.Target
	case k.Class == ClassHall:
		return place == HallConnector
	case k.Class == ClassPermissive, k.Class == ClassReference:
		return place == ControlConnector
	}
	return true
}
