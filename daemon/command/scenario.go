package command

// candidate is a drive of the demo: what is wrong with it, and what has to come out.
type candidate struct {
	serial  string
	family  string
	fault   string // empty: a good unit
	seed    uint64
	outcome string // of the last script: pass, fail, tripped
	names   string // what a finding, a check or the trip has to name
	story   string // what the shop was told
}

// scenario is a day at Quayside Drive Repair. The shop, the families and the units are invented.
var scenario = []candidate{
	{serial: "WR-2210", family: "wren", seed: 11, outcome: "pass", story: "came in with a blown bridge; board cleaned, devices ordered"},
	{serial: "WR-2217", family: "wren", fault: "dead_time_short:A", seed: 12, outcome: "fail", names: "A", story: "blew its new devices within a second"},
	{serial: "WR-2221", family: "wren", fault: "bleeder_open", seed: 17, outcome: "fail", names: "bleeder", story: "bit somebody who opened it after ten minutes"},
	{serial: "WR-2230", family: "wren", fault: "silence:bus_meter@9 s", seed: 18, outcome: "tripped", names: "stale reading", story: "a good drive; the cable of the bench's own meter is loose"},
	{serial: "PL-0338", family: "plover", fault: "rail_low:driver", seed: 13, outcome: "fail", names: "driver", story: "motor hums, then fault lamp"},
	{serial: "PL-0341", family: "plover", fault: "bus_short", seed: 14, outcome: "fail", names: "bus", story: "fuse blows at once"},
	{serial: "HR-1047", family: "heron", fault: "stuck_on:B.high", seed: 15, outcome: "fail", names: "B.high", story: "second bridge in a month"},
	{serial: "HR-1052", family: "heron", fault: "twitch_power_up:C.low", seed: 16, outcome: "fail", names: "C.low", story: "bangs when the cabinet is switched on"},
}

// demoScripts is the order in which a unit goes through the scripts; a unit stops at the first that it does not pass.
var demoScripts = []string{"rails", "bus_ramp", "twitch", "gate_sweep"}
