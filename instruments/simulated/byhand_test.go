package simulated

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/simulated/plant"
)

func TestAPersonReadsACurrentOnlyInALead(t *testing.T) {
	b := start(t, Options{Plant: plant.Options{Fitted: true}})
	d := dial(t, b, "person")
	d.send(`PERS:READ? "hand|meter|dc_current"`)
	require.Contains(t, d.ask("SYST:ERR?"), "-224", "the leads hang free")
	d.do(`PERS:PLAC "M1","current:A"`)
	require.InDelta(t, 0, d.number(`PERS:READ? "hand|meter|dc_current"`), handAmmeterOffset)
}

// What a person sees on the screen when they tap: the gate that changed, several, or that everything stays as it was.
func TestAPersonSeesWhatATapDoes(t *testing.T) {
	b := start(t, Options{}, "stuck_on:A.low@tapped")
	dial(t, b, "control").send("SET:U 24.00", "SET:I 1.000", "OUT:1")
	d := dial(t, b, "person")
	require.Eventually(t, func() bool { return d.number(`PERS:READ? "driver:A.low"`) > 8 }, 10*time.Second, 10*time.Millisecond)
	require.Equal(t, `"steady"`, d.ask(`PERS:ANSW? "hand|scope|tap|driver:A.high|A.high,A.low"`))
	require.Equal(t, `"A.low"`, d.ask(`PERS:ANSW? "hand|scope|tap|driver:A.low|A.high,A.low"`))
	require.Equal(t, `"A.low"`, d.ask(`PERS:ANSW? "hand|scope|fires|A.high,A.low"`), "nothing is asked of the drive")
	d.send(`PERS:ANSW? "hand|scope|tap|roof|A.high"`)
	require.Contains(t, d.ask("SYST:ERR?"), "no place")
}
