package meter_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/dialect"
	"benchwarden/instruments/dialect/dialecttest"
	"benchwarden/instruments/link"
	"benchwarden/instruments/meter"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scpi"
)

func TestReadingHasItsUnitOrIsNone(t *testing.T) {
	d := scpi.NewDevice([4]string{"Quayside Test", "meter", "1", "1"})
	answer := ""
	for _, pattern := range []string{"MEASure:VOLTage[:DC]", "MEASure:CURRent[:DC]", "MEASure:RESistance", "MEASure:DIODe"} {
		d.Handle(pattern, scpi.Command{Ask: func(*scpi.Call) (string, error) { return answer, nil }})
	}
	m := meter.New("meter", dialecttest.Session(t, "meter", dialecttest.Ours(t, "plain-meter"), dialecttest.OfDevice(d)))
	tests := []struct {
		name, answer string
		function     meter.Function
		want         quantity.Value
		is           error
	}{
		{"volts", "-3.2", meter.DCVolts, quantity.Volts(-3.2).Value(), nil},
		{"amperes", "+1.2E-03", meter.DCCurrent, quantity.Amperes(0.0012).Value(), nil},
		{"ohms", "5.11", meter.Ohms, quantity.Ohms(5.11).Value(), nil},
		{"diode", "0.45", meter.Diode, quantity.Volts(0.45).Value(), nil},
		{"overload", "9.9E37", meter.Ohms, quantity.Value{}, scpi.ErrOverrange}, // SCPI-99 volume 1, clause 7.2.1
		{"no reading", "9.91E37", meter.DCVolts, quantity.Value{}, scpi.ErrNoReading},
		{"text", "OVLD", meter.DCVolts, quantity.Value{}, dialect.ErrUnreadable},
		{"function that it has not", "25", "inductance", quantity.Value{}, meter.ErrNotThere},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			answer = test.answer
			v, err := m.Read(t.Context(), link.Warden, test.function)
			if test.is == nil {
				require.NoError(t, err)
			} else {
				require.ErrorIs(t, err, test.is)
				require.ErrorContains(t, err, "meter: ")
			}
			require.Equal(t, test.want, v)
		})
	}
	require.True(t, m.Has(meter.Diode))
	require.False(t, m.Has("inductance"))
}
