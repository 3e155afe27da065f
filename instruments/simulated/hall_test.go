package simulated

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/simulated/plant"
)

func TestHallSourceKeepsItsWireContract(t *testing.T) {
	d := dial(t, start(t, Options{}), "hall")
	for _, c := range []struct{ set, ask, want string }{
		{"OUTP ON", "OUTP?", "1"},
		{"OUTPUT:STATE 0", "OUTPUT:STATE?", "0"},
		{"SOUR:HALL:CODE 5", "SOURCE:HALL:CODE?", "5"},
		{"SOUR:HALL:LINE1 OPEN", "SOUR:HALL:LINE1?", "OPEN"},
		{"SOUR:HALL:LINE2 SHORT", "SOUR:HALL:LINE2?", "SHOR"},
		{"SOUR:HALL:LINE3 DRIVEN", "SOUR:HALL:LINE3?", "DRIV"},
		{"SOUR:HALL:SPAC 60", "SOUR:HALL:SPAC?", "60"},
		{"SOUR:HALL:SPACING 120", "SOUR:HALL:SPACING?", "120"},
		{"SOUR:HALL:FREQ 20", "SOUR:HALL:FREQUENCY?", "2.0E+01"},
		{"SOUR:HALL:DIR REV", "SOUR:HALL:DIRECTION?", "REV"},
		{"SOUR:HALL:DIR FORWARD", "SOUR:HALL:DIR?", "FORW"},
		{"SOUR:HALL:MODE RUN", "SOUR:HALL:MODE?", "RUN"},
		{"SOUR:HALL:MODE HOLD", "SOUR:HALL:MODE?", "HOLD"},
		{"*RST", "OUTP?;:SOUR:HALL:LINE1?;LINE2?;CODE?;MODE?", "0;DRIV;DRIV;0;HOLD"},
	} {
		d.send(c.set)
		require.Equal(t, c.want, d.ask(c.ask), c.set)
		require.Equal(t, `0,"No error"`, d.ask("SYSTem:ERRor?"), c.set)
	}
	for _, c := range []struct{ send, want string }{
		{"SOUR:HALL:CODE 8", `-222,"Data out of range;8 is outside 0 to 7"`},
		{"SOUR:HALL:CODE -1", `-222,"Data out of range;-1 is outside 0 to 7"`},
		{"SOUR:HALL:LINE4 OPEN", `-114,"Header suffix out of range;LINE4"`},
		{"SOUR:HALL:LINE1 LOOSE", `-224,"Illegal parameter value;LOOSE"`},
		{"SOUR:HALL:SPAC 90", `-224,"Illegal parameter value;90 degrees: 60 or 120"`},
		{"SOUR:HALL:FREQ 6 KHZ", `-222,"Data out of range;6000 is outside 0.01 to 5000"`},
		{"SOUR:HALL:MODE RUN;CODE 1", `-221,"Settings conflict;a code is set in mode HOLD"`},
		{"SENS:HALL:CODE 3", `-113,"Undefined header;SENS:HALL:CODE"`},
	} {
		d.send(c.send)
		require.Equal(t, c.want, d.ask("SYST:ERR?"), c.send)
	}
}

// servo is a three-phase drive that reads Hall sensors at 120 degrees; it pulls open lines up once its control section runs.
func servo() plant.Params {
	p := brushed()
	p.Name, p.Commutation = "heron", "hall_120"
	p.Modulation.Kind, p.Patterns.Idle = "complementary", "off"
	p.Bridge.Legs = append(p.Bridge.Legs, "C")
	p.Bridge.Channels = append(p.Bridge.Channels, plant.Channel{Name: "C.high", Leg: "C", Kind: "high", Rail: "pump"}, plant.Channel{Name: "C.low", Leg: "C", Kind: "low", Rail: "driver"})
	p.Rails["hall"] = plant.Rail{Nominal: 5, Within: 0.05, Ripple: 0.15}
	return p
}

// powered is a bench whose control section runs.
func powered(t *testing.T, o Options, faults ...string) (*Bench, *clock) {
	t.Helper()
	k := newClock()
	o.Plant.Now = k.now
	b := start(t, o, faults...)
	c := dial(t, b, "control")
	c.send("SET:U 24.00", "SET:I 1.000", "OUT:1")
	require.Equal(t, "SI 1.000 A", c.ask("ASK:SI"))
	k.advance(time.Second)
	return b, k
}

func TestSensedHallLinesAreWhatTheDriveGets(t *testing.T) {
	b, k := powered(t, Options{Params: servo()})
	d := dial(t, b, "hall")
	require.Equal(t, "7", d.ask("SENS:HALL:CODE?"), "off: all lines open, pulled up by the drive")
	d.send("OUTP ON")
	for _, c := range []struct{ send, want string }{
		{"SOUR:HALL:CODE 4", "4"}, // bit 2 is Hall 1
		{"SOUR:HALL:CODE 1", "1"},
		{"SOUR:HALL:LINE1 OPEN", "5"},
		{"SOUR:HALL:LINE3 SHORT", "4"},
		{"SOUR:HALL:LINE1 DRIV;LINE3 DRIV", "1"},
		{"*RST", "7"},
	} {
		d.send(c.send)
		require.Equal(t, c.want, d.ask("SENSE:HALL:CODE?"), c.send)
	}
	d.do("SOUR:HALL:CODE 4;FREQ 10;MODE RUN;:OUTP ON")
	// One electrical turn at 120 degrees spacing, one line a step.
	//
	// Source: data sheet "10 A, 500 V, 3-phase IGBT brushless motor controller", Rev. B 10/00, commutation truth table, 120 degrees.
	for _, want := range []string{"6", "2", "3", "1", "5", "4"} {
		k.advance(17 * time.Millisecond)
		require.Equal(t, want, d.ask("SENS:HALL:CODE?"))
	}
	d.do("SOUR:HALL:DIR REV")
	k.advance(17 * time.Millisecond)
	require.Equal(t, "5", d.ask("SENS:HALL:CODE?"))
	d.do("SOUR:HALL:MODE HOLD")
	k.advance(time.Second)
	require.Equal(t, "5", d.ask("SENS:HALL:CODE?"))
}

func TestAnUnpoweredDrivePullsNoOpenLineUp(t *testing.T) {
	require.Equal(t, "0", dial(t, start(t, Options{Params: servo()}), "hall").ask("SENS:HALL:CODE?"))
}
