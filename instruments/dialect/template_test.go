package dialect

import (
	"errors"
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scpi"
)

func template(t testing.TB, text string) Template {
	var m Template
	require.NoError(t, m.UnmarshalText([]byte(text)))
	return m
}

var spans = map[string]Span{
	"v": {Min: quantity.Volts(-10).Value(), Max: quantity.Volts(80).Value()},
	"n": {Min: quantity.Value{Number: 0}, Max: quantity.Value{Number: 7}},
	"s": {Min: quantity.Seconds(4e-9).Value(), Max: quantity.Seconds(1).Value()},
}

func TestMessageIsWrittenAsTheFileSays(t *testing.T) {
	tests := []struct {
		name, template string
		args           Args
		want           string
	}{
		{"as short as possible", "VOLT {v}", Args{"v": quantity.Volts(12.5)}, "VOLT 12.5"},
		{"a bare number is in base units", "VOLT {v}", Args{"v": 12.5}, "VOLT 12.5"},
		{"fixed places", "VOLT {v:.4f}", Args{"v": quantity.Volts(30)}, "VOLT 30.0000"},
		{"exponent", "TINT {s:.3e}", Args{"s": quantity.Seconds(4e-9)}, "TINT 4.000e-09"},
		{"factor", "SET {v*1000:.0f} mV", Args{"v": quantity.Volts(1.2)}, "SET 1200 mV"},
		{"decimals that binary cannot hold", "VOLT {v:.1f}", Args{"v": quantity.Volts(0.3)}, "VOLT 0.3"},
		{"never rounded up", "VOLT {v:.1f}", Args{"v": quantity.Volts(26.06)}, "VOLT 26.0"},
		{"never rounded away from zero", "VOLT {v:.1f}", Args{"v": quantity.Volts(-5.06)}, "VOLT -5.0"},
		{"never rounded up with an exponent", "VOLT {v:.1e}", Args{"v": quantity.Volts(26.6)}, "VOLT 2.6e+01"},
		{"both ends of the range", "{v:.0f},{v:.0f}", Args{"v": quantity.Volts(80)}, "80,80"},
		{"whole number", "CODE {n:d}", Args{"n": 5}, "CODE 5"},
		{"with leading zeros", "CODE {n:03d}", Args{"n": 5}, "CODE 005"},
		{"yes", "OUT:{on:1|0}", Args{"on": true}, "OUT:1"},
		{"no", "OUT:{on:1|0}", Args{"on": false}, "OUT:0"},
		{"word", "SLOP {edge:rising=POS,falling=NEG}", Args{"edge": "falling"}, "SLOP NEG"},
		{"text", "PLAC {item:string}", Args{"item": "gate:A.high"}, `PLAC "gate:A.high"`},
		// IEEE 488.2 clause 7.7.5: a quote inside a string stands doubled.
		{"text with quotes", "PLAC {item:string}", Args{"item": `a "b"`}, `PLAC "a ""b"""`},
		{"no parameters", "OUTP:PROT:CLE", nil, "OUTP:PROT:CLE"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			message, err := template(t, test.template).render(test.args, spans)
			require.NoError(t, err)
			require.Equal(t, test.want, message)
		})
	}
}

func TestWhatMayNotBeSentIsRefused(t *testing.T) {
	tests := []struct {
		name, template string
		args           Args
		want           string
	}{
		{"not a number", "VOLT {v}", Args{"v": quantity.Volts(math.NaN())}, "v: NaN is not a finite number"},
		{"infinite", "VOLT {v}", Args{"v": math.Inf(-1)}, "v: -Inf is not a finite number"},
		{"above the range", "VOLT {v}", Args{"v": quantity.Volts(80.1)}, "v: 80.1 V is outside -10 V to 80 V"},
		{"a hair above", "VOLT {v:.1f}", Args{"v": math.Nextafter(80, 81)}, "v: 80.00000000000001 is outside -10 V to 80 V"},
		{"below the range", "VOLT {v}", Args{"v": quantity.Volts(-10.1)}, "v: -10.1 V is outside -10 V to 80 V"},
		{"below the range once rounded", "TINT {s:.8f}", Args{"s": quantity.Seconds(4e-9)}, "s: 4 ns written as 0.00000000 is outside 4 ns to 1 s"},
		{"another unit", "VOLT {v}", Args{"v": quantity.Amperes(1)}, "v: 1 A is not in V"},
		{"text for a number", "VOLT {v}", Args{"v": "12"}, "v: 12 is not a number"},
		{"whole number outside", "CODE {n:d}", Args{"n": 8}, "n: 8 is outside 0 to 7"},
		{"fraction for a whole number", "CODE {n:d}", Args{"n": 1.5}, "n: 1.5 is not a whole number"},
		{"number for yes or no", "OUT {on:1|0}", Args{"on": 1}, "on: 1 is neither true nor false"},
		{"word that the instrument has not", "SLOP {edge:rising=POS}", Args{"edge": "either"}, `edge: this instrument has no "either"`},
		{"line end in text", "FIT {item:string}", Args{"item": "x\nOUTP ON"}, `item: "x\nOUTP ON" holds a character that may not be sent`},
		{"control character in text", "FIT {item:string}", Args{"item": "x\x1b"}, `item: "x\x1b" holds a character that may not be sent`},
		{"argument missing", "VOLT {v}", nil, "v is missing"},
		{"argument without place", "VOLT {v}", Args{"v": 1.0, "amps": 2}, `"VOLT {v}" has no place for amps`},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			message, err := template(t, test.template).render(test.args, spans)
			require.EqualError(t, err, test.want)
			require.Empty(t, message)
		})
	}
}

// Whatever is asked for: what is written is one message, and its number is inside the range and not beyond what was asked for.
func FuzzNumberWrittenIsNeverPastWhatWasAskedFor(f *testing.F) {
	for _, x := range []float64{0, 0.3, 26.05, 26.06, 80, -9.99, 79.99999999, 1e-300, math.Inf(1), math.NaN()} {
		f.Add(x, 2, false)
		f.Add(x, 4, true)
	}
	f.Fuzz(func(t *testing.T, x float64, places int, exponent bool) {
		verb := "f"
		if exponent {
			verb = "e"
		}
		message, err := template(t, "{v:."+strconv.Itoa(min(max(places, 0), 15))+verb+"}").render(Args{"v": x}, spans)
		if err != nil {
			return
		}
		written, err := scpi.ParseNumber(message)
		require.NoError(t, err)
		require.True(t, spans["v"].Holds(x), "%v was written", x)
		require.True(t, spans["v"].Holds(written), "%v became %s", x, message)
		require.True(t, math.Abs(written) <= math.Abs(x)*(1+1e-12), "%v became %s", x, message)
	})
}

// A string that is sent reads as the same string at the other end, in one message.
func FuzzTextIsOneStringAtTheInstrument(f *testing.F) {
	for _, text := range []string{"gate:A.high", `a"b`, `"`, "x\r\nOUTP ON", "é", ""} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		message, err := template(t, "FIT {item:string}").render(Args{"item": text}, nil)
		if err != nil {
			require.ErrorContains(t, err, "may not be sent")
			return
		}
		sent, rest, ok := scpi.SplitMessage([]byte(message + "\n"))
		require.True(t, ok)
		require.Empty(t, rest)
		got, err := scpi.ParseString(strings.TrimPrefix(string(sent), "FIT "))
		require.NoError(t, err)
		require.Equal(t, text, got)
	})
}

// Any text is either no template, or one that writes nothing but itself where it has no parameters.
func FuzzTemplate(f *testing.F) {
	for _, text := range []string{"VOLT {v:.4f}", "{on:ON|OFF}", "{a:b=c,d=e}", "{x*3:.1f}", "}{", "{", "{}", "ABOR"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		var m Template
		if err := m.UnmarshalText([]byte(text)); err != nil {
			return
		}
		message, err := m.render(nil, nil)
		if len(m.parameters()) > 0 {
			require.Error(t, err)
			return
		}
		require.NoError(t, err)
		require.Equal(t, text, message)
	})
}

// A file is read or refused with faults that name it, whatever it holds.
func FuzzDecode(f *testing.F) {
	f.Add([]byte(good(f)))
	f.Add([]byte("kind: meter\nqueries: {dc_volts: {ask: x}}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := Decode("x.yaml", data)
		if err != nil {
			require.ErrorContains(t, err, "x.yaml")
			return
		}
		for name := range d.Commands {
			message, err := d.Render(name, Args{"voltage": math.NaN(), "current": math.NaN()})
			require.True(t, err != nil || !strings.Contains(message, "NaN"))
		}
		for name := range d.Queries {
			if _, err := d.Read(name, []byte("9.91E37")); err != nil {
				require.True(t, errors.Is(err, ErrUnreadable), "%v", err)
			}
		}
	})
}
