package quantity

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestParseAndPrint(t *testing.T) {
	for text, want := range map[string]string{
		"72 V": "72 V", "350 mA": "350 mA", "1.2 us": "1.2 µs", "1.2 µs": "1.2 µs", "5.11 ohm": "5.11 Ω", "18 kHz": "18 kHz",
		"3 %": "3 %", "1200 rpm": "1200 rpm", "45 degC": "45 degC", "0.35 A": "350 mA", "47 MHz": "47 MHz", "0 V": "0 V", "-8 V": "-8 V", "999.999 mV": "1 V", "2 min": "120 s",
	} {
		v, err := Parse(text)
		require.NoError(t, err, text)
		require.Equal(t, want, v.String(), text)
	}
}
