package command

import (
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/station"
)

const probesLive = `
title = "probing an energised bus"
stage = "board"
roles = ["bus", "bus_meter", "scope"]
checks = []

def energises(drive):
    return [supply("bus", highest = 80 * V, limit = 150 * mA)]

def run(drive):
    person.prove_down()
    announce(energises(drive), longest = 60 * s)
    bus.on(80 * V, limit = 150 * mA)
    wait(2 * s)
    person.place({"P4": "bus"}, why = "to see the ripple", live = True)
    step("the probe is on")
`

// Above 60 V d.c. hands stay away from what is energised, or a named person has said why not (P10).
func TestEnergisedProbingNeedsANamedOverride(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	file := p.simulated(t, "heron")
	script := p.write(t, "live.star", probesLive)
	order := []string{"run", script, "--here", "--bench", file, "--family", "heron", "--unit", "H-1"}

	refused := p.run(t, append(order, "--operator", "Ada")...)
	require.Equal(t, station.ExitBroken, refused.code, refused.output())
	require.Contains(t, refused.output(), "hands near the drive while bus is on: only at or below 60 V d.c. from an isolated source")
	require.NotContains(t, refused.output(), "the probe is on")

	nameless := p.run(t, append(order, "--operator", " ", "--probe-energised", "ripple at load")...)
	require.NotZero(t, nameless.code)
	require.Contains(t, nameless.complaint(), "named person's decision")

	allowed := p.run(t, append(order, "--operator", "Ada", "--probe-energised", "ripple at load, insulated probe")...)
	require.Contains(t, allowed.output(), "the probe is on", allowed.output())
	require.Regexp(t, `OVERRIDE +no hands near the drive while bus is on at 80 V.*set aside by Ada: ripple at load, insulated probe`, allowed.output())
}
