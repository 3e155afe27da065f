package simulated

import (
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// column is where the matrix has a point.
func column(t *testing.T, b *Bench, point string) string {
	i := slices.Index(b.plant.ColdPoints(), point)
	require.GreaterOrEqual(t, i, 0, point)
	return strconv.Itoa(i + 1)
}

func TestMatrixBringsTheMeterToTwoPoints(t *testing.T) {
	b := start(t, Options{})
	m, meter := dial(t, b, "matrix"), dial(t, b, "meter")
	plus, minus := column(t, b, "bus+"), column(t, b, "bus-")
	require.Equal(t, "9.91E+37", meter.ask("MEAS:RES?"), "nothing is connected")
	m.do("ROUT:CLOS (@1!" + plus + ",2!" + minus + ")")
	require.Equal(t, "1,1,0", m.ask("ROUT:CLOS? (@1!"+plus+",2!"+minus+",1!"+minus+")"))
	r, err := strconv.ParseFloat(meter.ask("MEAS:RES?"), 64)
	require.NoError(t, err)
	truth, err := b.plant.Ohms("bus+", "bus-")
	require.NoError(t, err)
	require.InEpsilon(t, float64(truth), r, 0.001)
	require.Contains(t, m.ask("ROUT:CLOS:STAT?"), "(@1!"+plus+",2!"+minus+")")
	m.do("ROUT:OPEN:ALL")
	require.Equal(t, "#13(@)", m.ask("ROUT:CLOS:STAT?"))
	require.Equal(t, "9.91E+37", meter.ask("MEAS:RES?"))
}

func TestMatrixAddsItsPathsToAReading(t *testing.T) {
	b := start(t, Options{})
	m, meter := dial(t, b, "matrix"), dial(t, b, "meter")
	minus := column(t, b, "bus-")
	m.do("ROUT:CLOS (@1!" + minus + ",2!" + minus + ")")
	r, err := strconv.ParseFloat(meter.ask("MEAS:RES?"), 64)
	require.NoError(t, err)
	leads := benchMeter["ohms"].leads + 2*pathOhms
	require.InDelta(t, leads, r, 2*pathSpread+0.03, "this is what has to be nulled")
}

func TestMatrixRefusesWhatItDoesNotHave(t *testing.T) {
	b := start(t, Options{})
	m := dial(t, b, "matrix")
	for _, c := range []struct{ send, want string }{
		{"ROUT:CLOS (@3!1)", "-222"}, {"ROUT:CLOS (@1!0)", "-222"}, {"ROUT:CLOS (@1!9999)", "-222"},
		{"ROUT:CLOS (@1)", "-171"}, {"ROUT:CLOS 1", "-128"}, {"ROUT:CLOS", "-109"},
	} {
		m.send(c.send)
		require.Contains(t, m.ask("SYST:ERR?"), c.want, c.send)
	}
	require.Equal(t, "#13(@)", m.ask("ROUT:CLOS:STAT?"), "a list with a wrong channel moves nothing")
}
