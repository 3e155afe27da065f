package simulated

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestContactsCloseAndOpenByChannelList(t *testing.T) {
	b := start(t, Options{})
	d := dial(t, b, "contacts")
	d.do("ROUT:CLOS (@1,3:5)")
	require.Equal(t, "1,0,1,1,1,0,0,0,0", d.ask("ROUT:CLOS? (@1:9)"))
	require.Equal(t, "0,1,0", d.ask("ROUT:OPEN? (@1:3)"))
	require.True(t, b.plant.Contact("enable").Closed())
	require.True(t, b.plant.Contact("charge_ok").Closed())
	d.do("ROUT:OPEN (@4)")
	require.Equal(t, "0", d.ask("ROUT:CLOS? (@4)"))
	for _, c := range []struct{ send, want string }{
		{"ROUT:CLOS (@2,10)", `-222,"Data out of range;channel 10: there are 1 to 9"`},
		{"ROUT:CLOS (@0)", `-222,"Data out of range;channel 0: there are 1 to 9"`},
		{"ROUT:CLOS 1", `-128,"Numeric data not allowed"`},
		{"ROUT:CLOS", `-109,"Missing parameter"`},
		{"ROUT:CLOS (@x)", `-171,"Invalid expression;x"`},
		{"SENS:DIG:DATA:BIT4?", `-114,"Header suffix out of range;BIT4"`},
	} {
		d.send(c.send)
		require.Contains(t, d.ask("SYST:ERR?"), c.want[:len(c.want)-1], c.send)
	}
	require.Equal(t, "0", d.ask("ROUT:CLOS? (@2)"), "a list with a wrong channel moves nothing")
	d.do("ROUT:OPEN:ALL")
	require.Equal(t, "0,0,0,0,0,0,0,0,0", d.ask("ROUT:CLOS? (@1:9)"))
}

func TestInputsAreTheDrivesLampAndTheBenchesOwn(t *testing.T) {
	b, _ := powered(t, Options{}, "fault_lamp_stuck")
	d, person := dial(t, b, "contacts"), dial(t, b, "person")
	require.Equal(t, "1", d.ask("SENS:DIG:DATA:BIT1?"), "the interlock is closed")
	require.Equal(t, "1", d.ask("SENS:DIG:DATA:BIT2?"), "the lamp is lit")
	require.Equal(t, "0", d.ask("SENS:DIG:DATA:BIT3?"), "nobody presses the pedal")
	person.do(`PERS:SWIT "interlock",OFF`, `PERS:SWIT "pedal",ON`)
	require.Equal(t, "0;1", d.ask("SENS:DIG:DATA:BIT1?;BIT3?"))
}

func TestPersonDoesWhatIsAsked(t *testing.T) {
	b := start(t, Options{})
	d := dial(t, b, "person")
	d.do(`PERS:PLAC "P1","gate:A.high"`, `PERS:FIT "gate_capacitors"`, `PERSON:FIT "switch_node_jumpers"`)
	require.Equal(t, `"gate:A.high"`, d.ask(`PERS:PLAC? "P1"`))
	require.Equal(t, `"control"`, d.ask(`PERS:PLAC? "P3"`), "as the bench file says from the start")
	require.Equal(t, `"gate_capacitors,switch_node_jumpers"`, d.ask("PERS:FIT?"))
	d.do(`PERS:REM "gate_capacitors"`)
	require.Equal(t, `"switch_node_jumpers"`, d.ask("PERS:FIT?"))
	require.Equal(t, "1;1;0", d.ask("PERS:CLE?;ACT?;DEV?"))
	require.InDelta(t, 0, d.number(`PERS:READ? "bus"`), handMeterOffset)
	for _, wrong := range []string{`PERS:PLAC "P1","gate:D.high"`, `PERS:FIT "nothing"`, `PERS:READ? "nowhere"`, `PERS:TAP "nowhere"`} {
		d.send(wrong)
		require.Contains(t, d.ask("SYST:ERR?"), `-224,"Illegal parameter value;no `, wrong)
	}
	d.do(`PERS:TAP ""`)
	d.do(`PERS:TAP "driver:A.high"`)
}

func TestThePersonsMeterDoesNotCareForTheBusMetersLead(t *testing.T) {
	b, k, bus := supplyBench(t, Options{}, "lead_off:bus_meter")
	bus.do("VOLT 40;CURR 3;:OUTP ON")
	k.advance(2_000_000_000)
	require.InDelta(t, 0, dial(t, b, "bus_meter").number("MEAS:VOLT:DC?"), busMeterOffset)
	require.InDelta(t, 40, dial(t, b, "person").number(`PERS:READ? "bus"`), 40*handMeterGain+handMeterOffset+0.1)
}
