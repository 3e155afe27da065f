package dialect

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scpi"
)

// reading makes a dialect of the good file with another line for one question.
func reading(t testing.TB, from, to string) *Dialect {
	text := good(t)
	require.Contains(t, text, from)
	d, err := Decode("x.yaml", []byte(strings.Replace(text, from, to, 1)))
	require.NoError(t, err)
	return d
}

func TestNumberIsReadAsTheFileSaysOrNotAtAll(t *testing.T) {
	const was = `current: {ask: "MEAS:CURR?", suffix: mA}`
	tests := []struct {
		name, reader, reply string
		want                float64
		wantErr             string
	}{
		{"bare", "", "0.512", 0.512, ""},
		{"exponent", "", "+5.12E-01", 0.512, ""},
		{"white space around", "", " 0.512 ", 0.512, ""},
		{"unit", ", suffix: A", "0.512 A", 0.512, ""},
		{"unit without space", ", suffix: A", "0.512A", 0.512, ""},
		{"unit with a prefix", ", suffix: mA", "512 mA", 0.512, ""},
		{"factor", ", factor: 0.001", "512", 0.512, ""},
		{"suffix of the maker's own", ", suffix: MA, factor: 0.001", "512 MA", 0.512, ""},
		{"name before it", ", prefix: I, suffix: A", "I 0.512 A", 0.512, ""},
		{"no unit where one belongs", ", suffix: A", "0.512", 0, `"0.512" does not end with its unit "A"`},
		{"another unit", ", suffix: A", "0.512 V", 0, `"0.512 V" does not end with its unit "A"`},
		{"a prefix that the file does not say", ", suffix: A", "512 mA", 0, `"512 m"`},
		{"unit where none belongs", "", "0.512 A", 0, `"0.512 A"`},
		{"answer to another question", ", prefix: I, suffix: A", "U 24.01 V", 0, `"U 24.01 V" does not begin with "I"`},
		{"empty", "", "", 0, "cannot be read"},
		{"cut short", "", "5.1E", 0, "cannot be read"},
		{"NaN in letters", "", "NaN", 0, "cannot be read"},
		{"hexadecimal", "", "0x10", 0, "cannot be read"},
		{"two answers", "", "0.512;0.513", 0, "cannot be read"},
		// SCPI-99 volume 1, clause 7.2.1: 9.91E37 stands for "not a number", 9.9E37 for infinity.
		{"no reading", "", "9.91E37", 0, "no reading"},
		{"overrange", "", "9.9E37", 0, "past the instrument's range"},
		{"negative overrange", "", "-9.9E+37", 0, "past the instrument's range"},
		{"overrange with a factor", ", factor: 0.001", "9.9E37", 0, "past the instrument's range"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			d := reading(t, was, `current: {ask: "MEAS:CURR?"`+test.reader+"}")
			a, err := d.Read("current", []byte(test.reply))
			var v quantity.Value
			if err == nil {
				v, err = a.Value()
			}
			if test.wantErr != "" {
				require.ErrorContains(t, err, test.wantErr)
				require.Zero(t, v)
				return
			}
			require.NoError(t, err)
			require.Equal(t, quantity.Amperes(test.want).Value(), v)
		})
	}
}

func TestFieldsAreFoundByPositionOrKey(t *testing.T) {
	const was = `    ask: "STAT:QUES:COND?;:OUTP?"
    split: ";"
    count: 2
    values: {status: {position: 1}, on: {position: 2}}`
	byPosition := was
	byKey := `    ask: "MODE?"
    split: %q
    values: {status: {key: MODE}, on: {key: OUT, words: {"1": "yes", "0": "no", LIVE: "yes"}}}`
	tests := []struct {
		name, question, reply string
		cc, on                bool
		wantErr               string
	}{
		{"by position", byPosition, "1;1", true, true, ""},
		{"by position, white space", byPosition, "1; 0", true, false, ""},
		{"a field missing", byPosition, "1", false, false, "has 1 fields instead of 2"},
		{"a field too many", byPosition, "1;1;1", false, false, "has 3 fields instead of 2"},
		{"status is no number", byPosition, "CC;1", false, false, "cannot be read"},
		{"by key in pairs", fmt.Sprintf(byKey, "space"), "MODE 1 OUT 1", true, true, ""},
		{"by key, other order", fmt.Sprintf(byKey, "space"), "OUT 1 MODE 1", true, true, ""},
		{"by key, word of the instrument's own", fmt.Sprintf(byKey, "space"), "MODE 1 OUT LIVE", true, true, ""},
		{"by key, value missing", fmt.Sprintf(byKey, "space"), "MODE 1 OUT", false, false, "a value without its key"},
		{"by key, key missing", fmt.Sprintf(byKey, "space"), "MODE 1 OUR 1", false, false, "OUT stands 0 times"},
		{"by key, key twice", fmt.Sprintf(byKey, "space"), "MODE 1 OUT 1 OUT 0", false, false, "OUT stands 2 times"},
		{"by key, unknown word", fmt.Sprintf(byKey, "space"), "MODE 1 OUT 2", false, false, `"2" is none of the words`},
		{"by key with equals signs", fmt.Sprintf(byKey, ","), "MODE=1, OUT=0", true, false, ""},
		{"by key with colons", fmt.Sprintf(byKey, ";"), "MODE:1;OUT:1", true, true, ""},
		{"key that only begins so", fmt.Sprintf(byKey, ","), "MODEL=1,OUT=0", false, false, "MODE stands 0 times"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			d := reading(t, was, test.question)
			a, err := d.Read("mode", []byte(test.reply))
			if test.wantErr != "" {
				require.ErrorIs(t, err, ErrUnreadable)
				require.ErrorContains(t, err, test.wantErr)
				return
			}
			require.NoError(t, err)
			cc, err := a.Key("status").Is(ConstantCurrent)
			require.NoError(t, err)
			on, err := a.Key("on").Bool()
			require.NoError(t, err)
			require.Equal(t, []bool{test.cc, test.on}, []bool{cc, on})
			_, err = a.Number()
			require.EqualError(t, err, "the answer has several values, and none was named")
			_, err = a.Key("volts").Number()
			require.EqualError(t, err, "the answer has no value volts")
			_, err = a.Key("on").Number()
			require.EqualError(t, err, "on is a yes or no")
		})
	}
}

func TestStatusInWords(t *testing.T) {
	d := reading(t, "status: {cc: bit 0, cv: bit 1}", "status: {cc: CC, cv: CV, over_voltage: OV}")
	a, err := d.Read("mode", []byte("cc;1"))
	require.NoError(t, err)
	is, err := a.Key("status").Is(ConstantCurrent)
	require.NoError(t, err)
	require.True(t, is)
	_, err = d.Read("mode", []byte("CP;1"))
	require.ErrorContains(t, err, `the status "CP" is none of those that the dialect knows`)
}

func TestRefusalIsNoAnswer(t *testing.T) {
	d := reading(t, "connections: 1", "refusal: ERR\nconnections: 1")
	_, err := d.Read("voltage", []byte("ERR"))
	require.ErrorIs(t, err, ErrUnreadable)
	require.ErrorContains(t, err, `the instrument did not understand (it answered "ERR")`)
}

func scopeWith(t testing.TB, samples string) *Dialect {
	d, err := LoadNamed([]string{ours}, "plain-scope")
	require.NoError(t, err)
	q := d.Queries["trace"]
	q.Samples, q.Order, _ = strings.Cut(samples, " ")
	d.Queries["trace"] = q
	return d
}

func TestBlockIsReadByItsLengthInEveryFormat(t *testing.T) {
	d := scopeWith(t, "int8")
	// IEEE 488.2 clause 8.7.9: #, digits of the length, length, bytes. A line feed among the bytes ends nothing.
	a, err := d.Read("trace", []byte("#15\x80\x0a\x00\x7f\xff"))
	require.NoError(t, err)
	require.Equal(t, []byte{0x80, 0x0a, 0, 0x7f, 0xff}, a.Block())
	require.Equal(t, Int8, a.Samples())
	for _, bad := range []string{"", "#", "15", "#15abcd", "#15abcdef", "1.0", "#0"} {
		_, err := d.Read("trace", []byte(bad))
		if bad == "#0" { // an indefinite block of nothing: it is for whoever reads to want samples
			require.NoError(t, err)
			continue
		}
		require.ErrorIs(t, err, ErrUnreadable, "%q", bad)
	}
	for _, samples := range []string{"int16 big", "int16 little"} {
		a, err := scopeWith(t, samples).Read("trace", []byte("#14\x01\x00\xff\x80"))
		require.NoError(t, err)
		want := map[string][]int16{"int16 big": {256, -128}, "int16 little": {1, -32513}}[samples]
		require.Equal(t, want, a.Words16(), samples)
	}
	a, err = scopeWith(t, "uint16 big").Read("trace", []byte("#16\x00\x00\x80\x00\xff\xff"))
	require.NoError(t, err)
	require.Equal(t, []int16{-32768, 0, 32767}, a.Words16())
	_, err = scopeWith(t, "int16 big").Read("trace", []byte("#13abc"))
	require.ErrorContains(t, err, "3 bytes are no whole number of int16")

	floats := func(bits ...uint32) []byte {
		var data []byte
		for _, b := range bits {
			data = binary.BigEndian.AppendUint32(data, b)
		}
		return scpi.EncodeBlock(data)
	}
	// Bytes of 1.0, -2.5 and 0.1, computed from IEEE 754; the other order turns them round inside each value (FORMat:BORDer, SCPI-99).
	for samples, block := range map[string]string{
		"float32 big":    "#212\x3f\x80\x00\x00\xc0\x20\x00\x00\x3d\xcc\xcc\xcd",
		"float32 little": "#212\x00\x00\x80\x3f\x00\x00\x20\xc0\xcd\xcc\xcc\x3d",
	} {
		a, err = scopeWith(t, samples).Read("trace", []byte(block))
		require.NoError(t, err)
		values, err := a.Floats()
		require.NoError(t, err)
		require.InDeltaSlice(t, []float64{1, -2.5, 0.1}, values, 1e-8, samples)
	}
	a, err = scopeWith(t, "float32 big").Read("trace", floats(math.Float32bits(1.5), math.Float32bits(-2)))
	require.NoError(t, err)
	values, err := a.Floats()
	require.NoError(t, err)
	require.Equal(t, []float64{1.5, -2}, values)
	// The float32 forms of 9.9E37 and 9.91E37, computed from IEEE 754: 7E94F56A and 7E951BEE.
	for _, bits := range []uint32{0x7E94F56A, 0xFE94F56A, 0x7E951BEE, math.Float32bits(float32(math.NaN()))} {
		a, err = scopeWith(t, "float32 big").Read("trace", floats(bits))
		require.NoError(t, err)
		_, err = a.Floats()
		require.EqualError(t, err, "sample 0 is no number")
	}
}

// Whatever an instrument answers: what comes out is a finite number below the stand-ins, or an error.
func FuzzReadNeverLetsABadNumberThrough(f *testing.F) {
	for _, reply := range []string{"1.0", "9.91E37", "-9.9E37", "1E999", "U 24.01 V", "U 9.9E37 V", "MODE CV OUT 1", "1;2;3;1", "ERR", "#15abcde", "", "nan", "U  V"} {
		f.Add(reply)
	}
	var all []*Dialect
	for _, name := range Names([]string{ours}) {
		d, err := LoadNamed([]string{ours}, name)
		require.NoError(f, err)
		all = append(all, d)
	}
	f.Fuzz(func(t *testing.T, reply string) {
		for _, d := range all {
			for query, q := range d.Queries {
				a, err := d.Read(query, []byte(reply))
				if err != nil {
					require.ErrorIs(t, err, ErrUnreadable)
					continue
				}
				names := []string{a.only}
				for name := range q.Values {
					names = append(names, name)
				}
				for _, name := range names {
					if x, err := a.Key(name).Number(); err == nil {
						require.False(t, math.IsNaN(x) || math.Abs(x) >= 9.9e37, "%s %s: %q became %g", d.Name, query, reply, x)
					}
				}
			}
		}
	})
}
