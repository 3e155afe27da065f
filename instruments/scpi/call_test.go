package scpi

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// typed is a device whose commands answer what they were given, one for each
// kind of parameter.
func typed() *Device {
	d := NewDevice([4]string{})
	give := func(pattern string, takes int, read func(*Call) (any, error)) {
		d.Handle(pattern, Command{AskTakes: takes, Ask: func(c *Call) (string, error) {
			v, err := read(c)
			return fmt.Sprint(v), err
		}})
	}
	for _, unit := range []string{"V", "A", "OHM", "HZ", "S", "PCT"} {
		give("NUMBer:"+unit, 1, func(c *Call) (any, error) { return c.Number(0, strings.ToLower(unit)) })
	}
	level := Range{Unit: "V", Min: 1, Max: 60, Default: 5}
	give("NUMBer:PLAin", 1, func(c *Call) (any, error) { return c.Number(0, "") })
	give("RANGed", 2, func(c *Call) (any, error) { return c.Ranged(0, level) })
	give("BOUNd", 1, func(c *Call) (any, error) { return c.Bound(0, level, 12) })
	give("INTeger", 1, func(c *Call) (any, error) { return c.Int(0, -5, 7) })
	give("BOOLean", 1, func(c *Call) (any, error) { return c.Bool(0) })
	give("KEYWord", 1, func(c *Call) (any, error) { return c.Keyword(0, "NORMal", "SWAPped", "CHANnel2") })
	give("TEXT", 2, func(c *Call) (any, error) { return c.String(0) })
	give("BLOCk", 2, func(c *Call) (any, error) {
		b, err := c.Block(0)
		return string(b), err
	})
	give("LIST", 1, func(c *Call) (any, error) { return c.Channels(0) })
	return d
}

func TestParameters(t *testing.T) {
	tests := []struct {
		send, want string
		error      int
	}{
		// Equal numbers: wavemeter programming manual (which also takes multipliers
		// without a unit; here they need one).
		{send: "NUMB:V? 28", want: "28"},
		{send: "NUMB:V? 0.28E2", want: "28"},
		{send: "NUMB:V? 280E-1", want: "28"},
		{send: "NUMB:V? 28000mV", want: "28"},
		{send: "NUMB:V? 0.028 KV", want: "28"},
		{send: "NUMB:V? 28E-3KV", want: "28"},
		// IEEE 488.2-1992, table 7-2, as in the tables of an open SCPI library and
		// a counter manual; that M is mega before OHM and HZ: from memory.
		{send: "NUMB:OHM? 1 MOHM", want: "1e+06"},
		{send: "NUMB:HZ? 1 MHZ", want: "1e+06"},
		{send: "NUMB:HZ? 1 MAHZ", want: "1e+06"},
		{send: "NUMB:V? 1 MV", want: "0.001"},
		{send: "NUMB:A? 1 MA", want: "0.001"},
		{send: "NUMB:A? 1 A", want: "1"},
		{send: "NUMB:A? 1 UA", want: "1e-06"},
		{send: "NUMB:S? 1 MS", want: "0.001"},
		{send: "NUMB:S? 1 NS", want: "1e-09"},
		{send: "NUMB:V? 1 EXV", want: "1e+18"},
		{send: "NUMB:V? 1 PEV", want: "1e+15"},
		{send: "NUMB:V? 1 TV", want: "1e+12"},
		{send: "NUMB:V? 1 GV", want: "1e+09"},
		{send: "NUMB:V? 1 MAV", want: "1e+06"},
		{send: "NUMB:V? 1 PV", want: "1e-12"},
		{send: "NUMB:V? 1 FV", want: "1e-15"},
		{send: "NUMB:V? 1 AV", want: "1e-18"},
		{send: "NUMB:PCT? 3 PCT", want: "3"},
		{send: "NUMB:V? 5 A", error: -131},
		{send: "NUMB:V? 5 M", error: -131},
		{send: "NUMB:V? 5 XV", error: -131},
		{send: "NUMB:PLA? 5 V", error: -138},
		{send: "NUMB:PLA? 5 K", error: -138},
		// Limits: IEEE 488.2 clauses 7.7.1.4, 7.7.2.4.1, 7.7.3.4.
		{send: "NUMB:V? 1 ABCDEFGHIJKL", error: -131},
		{send: "NUMB:V? 1 ABCDEFGHIJKLM", error: -134},
		{send: "NUMB:PLA? 1E-32000", want: "0"},
		{send: "NUMB:PLA? 0E32000", want: "0"},
		{send: "NUMB:PLA? 1E32001", error: -123},
		{send: "NUMB:PLA? 1E-32001", error: -123},
		{send: "NUMB:PLA? 1E99999999999999999999", error: -123},
		{send: "NUMB:PLA? 1E400", error: -222},
		{send: "NUMB:PLA? 0." + strings.Repeat("3", 255), want: "0.3333333333333333"},
		{send: "NUMB:PLA? " + strings.Repeat("0", 300) + "1", want: "1"},
		{send: "NUMB:PLA? 0." + strings.Repeat("3", 256), error: -124},
		// Number formats.
		{send: "NUMB:PLA? .5", want: "0.5"},
		{send: "NUMB:PLA? -5.", want: "-5"},
		{send: "NUMB:PLA? 5 E 3", want: "5000"},
		{send: "NUMB:V? 5 E +3 V", want: "5000"},
		{send: "NUMB:PLA? 5E", error: -138},
		{send: "NUMB:PLA? +", error: -121},
		{send: "NUMB:PLA? --5", error: -121},
		{send: "NUMB:PLA? .", error: -121},
		{send: "NUMB:PLA? 1.2.3", error: -121},
		{send: "NUMB:PLA? 1 2", error: -103},
		{send: "NUMB:PLA? 1$", error: -103},
		{send: "NUMB:PLA?", error: -109},
		{send: "NUMB:PLA? 1,2", error: -108},
		{send: "NUMB:PLA? 1,", error: -102},
		{send: "NUMB:PLA? ,1", error: -102},
		{send: "NUMB:PLA? MAX", error: -148},
		{send: `NUMB:PLA? "1"`, error: -158},
		{send: "NUMB:PLA? #11a", error: -168},
		{send: "NUMB:PLA? (1)", error: -178},
		{send: "NUMB:PLA? $", error: -101},
		// Non-decimal numbers: an open SCPI library and a power-meter manual.
		{send: "NUMB:PLA? #H2F", want: "47"},
		{send: "NUMB:PLA? #h2f", want: "47"},
		{send: "NUMB:PLA? #Q17", want: "15"},
		{send: "NUMB:PLA? #B101", want: "5"},
		{send: "NUMB:PLA? #B102", error: -121},
		{send: "NUMB:PLA? #H", error: -121},
		{send: "NUMB:PLA? #HFFFFFFFFFFFFFFFFF", error: -222},
		{send: "NUMB:PLA? #X1", error: -161},
		// MINimum, MAXimum, DEFault: SCPI-99 volume 1 clause 7.2.1.
		{send: "RANG? 60", want: "60"},
		{send: "RANG? 500MV", error: -222},
		{send: "RANG? 60.001", error: -222},
		{send: "RANG? MIN", want: "1"},
		{send: "RANG? maximum", want: "60"},
		{send: "RANG? DEF", want: "5"},
		{send: "RANG? MAXI", error: -224},
		{send: "RANG? INF", error: -222},
		{send: "RANG? NAN", error: -224},
		{send: "RANG?", error: -109},
		{send: "RANG? 5,6,7", error: -108},
		{send: "BOUN?", want: "12"},
		{send: "BOUN? MAX", want: "60"},
		{send: "BOUN? 5", error: -128},
		{send: "BOUN? LOW", error: -224},
		{send: "INT? 2.5", want: "3"},
		{send: "INT? -5.4", want: "-5"},
		{send: "INT? 7.6", error: -222},
		{send: "INT? 1E300", error: -222},
		// Booleans: SCPI-99 volume 1 clause 7.3, the rounding from memory.
		{send: "BOOL? ON", want: "true"},
		{send: "BOOL? off", want: "false"},
		{send: "BOOL? 1", want: "true"},
		{send: "BOOL? -17", want: "true"},
		{send: "BOOL? 0.4", want: "false"},
		{send: "BOOL? 0.6", want: "true"},
		{send: "BOOL? YES", error: -224},
		{send: "BOOL? 1 V", error: -138},
		{send: `BOOL? "ON"`, error: -158},
		{send: "BOOL?", error: -109},
		{send: "KEYW? norm", want: "NORM"},
		{send: "KEYW? SWAPPED", want: "SWAP"},
		{send: "KEYW? chan2", want: "CHAN2"},
		{send: "KEYW? CHANNEL2", want: "CHAN2"},
		{send: "KEYW? CHAN", error: -224},
		{send: "KEYW? SWAPP", error: -224},
		{send: "KEYW? 1", error: -128},
		{send: "KEYW? ABCDEFGHIJKLM", error: -144},
		{send: "KEYW? A-B", error: -141},
		{send: `TEXT? "a;b,""c"""`, want: `a;b,"c"`},
		{send: `TEXT? 'it''s'`, want: "it's"},
		{send: `TEXT? "a"b`, error: -103},
		{send: `TEXT? "abc`, error: -151},
		{send: "TEXT? ABC", error: -148},
		{send: "BLOC? #15A;B\nC;:INT? 3", want: "A;B\nC;3"},
		{send: "BLOC? #15ABC", error: -161},
		{send: "BLOC? #0ABC", error: -161},
		{send: "BLOC? ABC", error: -148},
		// (@1,3,4:6): SCPI-99 volume 1 clause 8.3.2, quoted by an open SCPI library.
		{send: "LIST? (@1,3,4:6)", want: "[1 3 4 5 6]"},
		{send: "LIST? (@1,2:4)", want: "[1 2 3 4]"}, // multimeter and switch manuals
		{send: "LIST? ( @ 3 : 1 , 7 )", want: "[3 2 1 7]"},
		{send: "LIST? (@101)", want: "[101]"},
		{send: "LIST? (1,2)", error: -171},
		{send: "LIST? (@)", error: -171},
		{send: "LIST? (@1,)", error: -171},
		{send: "LIST? (@-1)", error: -171},
		{send: "LIST? (@1!2)", error: -171},
		{send: "LIST? (@1:2:3)", error: -171},
		{send: "LIST? (@1", error: -171},
		{send: "LIST? (@1:2000000000)", error: -223},
		{send: "LIST? 1", error: -128},
	}
	for _, tt := range tests {
		t.Run(tt.send, func(t *testing.T) {
			d := typed()
			require.Equal(t, tt.want, string(d.NewSession().Execute([]byte(tt.send))))
			e := d.Errors.next()
			require.Equal(t, tt.error, e.Number, e.Error())
			require.Zero(t, d.Errors.Len())
		})
	}
}

func TestTooManyParametersChangeNothing(t *testing.T) {
	d, done := newBench()
	run(t, d.NewSession(), exchange{"OUTP ON,OFF", ""}, exchange{"VOLT 1", ""})
	require.Empty(t, *done)
	require.Equal(t, `-108,"Parameter not allowed;OUTP",-108,"Parameter not allowed;VOLT"`, d.Errors.all())
}

func TestSplitMessage(t *testing.T) {
	tests := []struct {
		name, buf, message, rest string
		incomplete               bool
	}{
		{name: "line feed", buf: "VOLT 5\nOUTP ON\n", message: "VOLT 5", rest: "OUTP ON\n"},
		{name: "a carriage return is white space of the message", buf: "VOLT 5\r\n", message: "VOLT 5\r"},
		{name: "empty", buf: "\n\n", message: "", rest: "\n"},
		{name: "string", buf: "DISP \"a\nb\";*OPC?\nx", message: "DISP \"a\nb\";*OPC?", rest: "x"},
		{name: "block after a header of small letters", buf: "data #12\n\n\nx", message: "data #12\n\n", rest: "x"},
		{name: "a broken block is text", buf: "DATA #2x\nx", message: "DATA #2x", rest: "x"},
		{name: "an indefinite block is text", buf: "DATA #0x\nx", message: "DATA #0x", rest: "x"},
		{name: "no end", buf: "VOLT 5", incomplete: true},
		{name: "in a string", buf: "DISP \"a\n", incomplete: true},
		{name: "in a block", buf: "DATA #15a\n", incomplete: true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			message, rest, ok := SplitMessage([]byte(tt.buf))
			require.Equal(t, !tt.incomplete, ok)
			if tt.incomplete {
				require.Equal(t, tt.buf, string(rest))
				return
			}
			require.Equal(t, tt.message, string(message))
			require.Equal(t, tt.rest, string(rest))
		})
	}
}
