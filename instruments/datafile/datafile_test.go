package datafile

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/quantity"
)

type day struct{ time.Time }

func (d *day) UnmarshalText(text []byte) (err error) {
	d.Time, err = time.Parse(time.DateOnly, string(text))
	return err
}

type common struct {
	Serial string `yaml:"serial"`
}

type word string

type probe struct {
	At     string           `yaml:"at" need:"true"`
	Factor float64          `yaml:"factor"`
	Skew   quantity.Seconds `yaml:"skew"`
}

type file struct {
	common
	Name         string                    `yaml:"name" need:"true"`
	CurrentLimit quantity.Amperes          `yaml:"current_limit" need:"true"`
	Voltage      *quantity.Volts           `yaml:"voltage"`
	Ripple       quantity.Ratio            `yaml:"ripple"`
	Any          quantity.Value            `yaml:"any"`
	Legs         int                       `yaml:"legs"`
	Small        int8                      `yaml:"small"`
	Isolated     bool                      `yaml:"isolated"`
	Kind         word                      `yaml:"kind"`
	Due          day                       `yaml:"due"`
	Probes       []probe                   `yaml:"probes"`
	Limits       map[string]quantity.Volts `yaml:"limits"`
	Kinds        map[word]word             `yaml:"kinds"`
	Optional     *probe                    `yaml:"optional"`
	Unread       string
}

const good = `
name: demo
serial: Q-17
current_limit: 350 mA
voltage: 72 V
ripple: 3 %
any: 18 kHz
legs: 3
isolated: true
kind: heron
due: 2027-03-31
probes:
  - at: gate:A.high
    factor: 10
    skew: 1.2 us
  - {at: bus, factor: 100}
limits:
  bus.voltage: 90 V
  bus: &most 95 V
  control: *most
kinds: {a: b}
optional:
  at: control
`

func TestReadsWhatTheTagsSay(t *testing.T) {
	var f file
	_, err := Decode("demo.yaml", []byte(good), &f)
	require.NoError(t, err)
	volts := quantity.Volts(72)
	require.Equal(t, file{
		common: common{Serial: "Q-17"}, Name: "demo", CurrentLimit: 0.35, Voltage: &volts, Ripple: 0.03,
		Any: quantity.Value{Number: 18e3, Unit: quantity.PerSecond}, Legs: 3, Isolated: true, Kind: "heron",
		Due:    day{time.Date(2027, 3, 31, 0, 0, 0, 0, time.UTC)},
		Probes: []probe{{"gate:A.high", 10, 1.2e-6}, {"bus", 100, 0}},
		Limits: map[string]quantity.Volts{"bus.voltage": 90, "bus": 95, "control": 95},
		Kinds:  map[word]word{"a": "b"}, Optional: &probe{At: "control"},
	}, f)
}

func TestEachFaultIsOneLineWithItsPlace(t *testing.T) {
	const head = "name: demo\ncurrent_limit: 1 A\n"
	for name, c := range map[string]struct{ text, want string }{
		"misspelt key":              {head + "rippel: 3 %", "demo.yaml:3: rippel: unknown key, did you mean ripple?"},
		"key that nothing is like":  {"name: demo\ncurrent_limit: 1 A\noptional: {at: x, zzzzzz: 1}", "demo.yaml:3: optional.zzzzzz: unknown key; there are at, factor, skew"},
		"upper case":                {head + "RIPPLE: 3 %", "demo.yaml:3: RIPPLE: unknown key, did you mean ripple?"},
		"untagged field":            {head + "Unread: x", "demo.yaml:3: Unread: unknown key; there are any, current_limit, due, isolated, kind, kinds, legs, limits, name, optional, probes, ripple, serial, small, voltage"},
		"bare number for amperes":   {"name: demo\ncurrent_limit: 1", `demo.yaml:2: current_limit: "1" has no unit: write one, for example "1 A"`},
		"bare number for a ratio":   {head + "ripple: 0.03", `demo.yaml:3: ripple: "0.03" has no unit: write one, for example "3 %"`},
		"bare number behind a map":  {head + "limits:\n  bus.voltage: 90", `demo.yaml:4: limits.bus.voltage: "90" has no unit: write one, for example "90 V"`},
		"wrong unit":                {head + "voltage: 72 A", `demo.yaml:3: voltage: wants volts, got "72 A"`},
		"wrong case":                {head + "voltage: 72 mv", `demo.yaml:3: voltage: "72 mv": unit "mv" is not known, did you mean mV or MV? m is milli, M is mega`},
		"missing key":               {"\n\nname: demo", "demo.yaml:3: current_limit: is missing; write a value with its unit, for example 1 A"},
		"missing key in a list":     {head + "probes:\n  - at: x\n  -\n    factor: 10", "demo.yaml:6: probes[1].at: is missing"},
		"missing key in a map":      {head + "optional:\n  factor: 10", "demo.yaml:3: optional.at: is missing"},
		"no value":                  {"name: demo\ncurrent_limit:", "demo.yaml:2: current_limit: has no value; write a value with its unit, for example 1 A"},
		"no value for a pointer":    {head + "voltage: ~", "demo.yaml:3: voltage: has no value; write a value with its unit, for example 1 V"},
		"no value for a list":       {head + "probes:", "demo.yaml:3: probes: has no value"},
		"a key twice":               {head + "legs: 3\nlegs: 4", "demo.yaml:4: legs: stands twice, first in line 3"},
		"a key twice in a map":      {head + "kinds:\n  a: b\n  a: c", "demo.yaml:5: kinds.a: stands twice, first in line 4"},
		"a word for a number":       {head + "legs: three", `demo.yaml:3: legs: wants a whole number, got "three"`},
		"a fraction of a leg":       {head + "legs: 2.5", `demo.yaml:3: legs: wants a whole number, got "2.5"`},
		"too large for its field":   {head + "small: 300", `demo.yaml:3: small: wants a whole number, got "300"`},
		"not a number":              {head + "optional: {at: x, factor: .nan}", `demo.yaml:3: optional.factor: wants a number, got ".nan"`},
		"infinite":                  {head + "optional: {at: x, factor: inf}", `demo.yaml:3: optional.factor: wants a number, got "inf"`},
		"neither true nor false":    {head + "isolated: maybe", `demo.yaml:3: isolated: wants true or false, got "maybe"`},
		"a date that is none":       {head + "due: 2027-02-30", `demo.yaml:3: due: parsing time "2027-02-30": day out of range`},
		"one value for a list":      {head + "probes: gate", `demo.yaml:3: probes: wants a list, got "gate"`},
		"a list for one value":      {head + "legs: [3]", "demo.yaml:3: legs: wants one value, got a list"},
		"keys for a quantity":       {head + "voltage: {a: b}", "demo.yaml:3: voltage: wants one value, got keys and values"},
		"a list for keys":           {head + "optional: [a]", "demo.yaml:3: optional: wants keys and values, got a list"},
		"a list of keys":            {head + "kinds: {[a]: b}", "demo.yaml:3: kinds: a key has to be a word"},
		"a list for the whole file": {"- a\n- b", "demo.yaml:1: wants keys and values, got a list"},
		"empty":                     {"", "demo.yaml: the file is empty"},
		"only comments":             {"# nothing\n", "demo.yaml: the file is empty"},
		"an empty document":         {"---\n", "demo.yaml: the file is empty"},
		"two documents":             {head + "---\nname: other", "demo.yaml: the file holds more than one document (a line ---), or goes on after its end"},
		"a tab":                     {"name: demo\n\tcurrent_limit: 1 A", "demo.yaml:2: not YAML: found a tab character that violates indentation"},
		"a tab on the first line":   {"\tname: demo", "demo.yaml: not YAML: found character that cannot start any token; is it a tab? Indent with spaces"},
		"an unknown anchor":         {"name: *gone", "demo.yaml: not YAML: unknown anchor 'gone' referenced"},
		"a key that moves a cursor": {head + `"a\e[2Jb\n": 1`, "demo.yaml:3: a [2Jb : unknown key; there are any, current_limit, due, isolated, kind, kinds, legs, limits, name, optional, probes, ripple, serial, small, voltage"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Decode("demo.yaml", []byte(c.text), new(file))
			require.EqualError(t, err, c.want)
			var faults Faults
			require.ErrorAs(t, err, &faults)
			require.Len(t, faults, 1)
		})
	}
}

func TestAllFaultsAtOnceByLine(t *testing.T) {
	_, err := Decode("demo.yaml", []byte("probes:\n  - factor: x\nlegs: three\ncurent_limit: 1 A\n"), new(file))
	require.EqualError(t, err, strings.Join([]string{
		"demo.yaml:1: name: is missing",
		"demo.yaml:1: current_limit: is missing; write a value with its unit, for example 1 A",
		`demo.yaml:2: probes[0].factor: wants a number, got "x"`,
		"demo.yaml:2: probes[0].at: is missing",
		`demo.yaml:3: legs: wants a whole number, got "three"`,
		"demo.yaml:4: curent_limit: unknown key, did you mean current_limit?",
	}, "\n"))
}

func TestAFaultOfTheCallerFindsItsLine(t *testing.T) {
	d, err := Decode("demo.yaml", []byte(good), new(file))
	require.NoError(t, err)
	require.Equal(t, "demo.yaml", d.Name())
	for key, line := range map[string]int{
		"name": 2, "probes": 12, "probes[0]": 13, "probes[0].skew": 15, "probes[1].factor": 16, "limits": 17,
		"limits.bus.voltage": 18, // the key holds a point
		"limits.bus":         19, "limits.control": 20, "optional.at": 23,
		"limits.gone":       17, // the nearest parent
		"probes[1].skew":    16,
		"probes[7].at":      12,
		"probes[x].at":      12,
		"name.below":        2,
		"gone.altogether":   2, // the file's first
		"":                  2,
		"limits.busvoltage": 17,
	} {
		require.Equal(t, line, d.Fault(key, "x").Line, key)
	}
	require.Equal(t, "demo.yaml:18: limits.bus.voltage: 90 V is above 80 V", d.Fault("limits.bus.voltage", "%v is above %d V", quantity.Volts(90), 80).Error())
}

func TestAliasesThatMultiplyAreCut(t *testing.T) {
	var text strings.Builder
	text.WriteString("a0: &a0 [x, x, x, x, x, x, x, x, x, x]\n")
	for _, level := range []string{"1", "2", "3", "4", "5"} {
		below := "*a" + string(level[0]-1)
		text.WriteString("a" + level + ": &a" + level + " [" + strings.Repeat(below+", ", 9) + below + "]\n")
	}
	var into struct {
		A5 [][][][][][]string `yaml:"a5"`
		A4 [][][][][]string   `yaml:"a4"`
		A3 [][][][]string     `yaml:"a3"`
		A2 [][][]string       `yaml:"a2"`
		A1 [][]string         `yaml:"a1"`
		A0 []string           `yaml:"a0"`
	}
	_, err := Decode("bomb.yaml", []byte(text.String()), &into)
	require.ErrorContains(t, err, "the file is too large: it has more than 100000 values")
}

func TestReadNamesTheFile(t *testing.T) {
	missing := filepath.Join(t.TempDir(), "gone.yaml")
	_, err := Read(missing, new(file))
	require.EqualError(t, err, missing+": no such file or directory")
	require.ErrorIs(t, err, os.ErrNotExist)

	path := filepath.Join(t.TempDir(), "demo.yaml")
	require.NoError(t, os.WriteFile(path, []byte(good), 0o600))
	var f file
	d, err := Read(path, &f)
	require.NoError(t, err)
	require.Equal(t, path, d.Name())
	require.Equal(t, "demo", f.Name)
}

func TestNearMiss(t *testing.T) {
	known := []string{"current_limit", "voltage_limit", "name", "at"}
	for word, want := range map[string]string{
		"curent_limit": ", did you mean current_limit?", "nmae": ", did you mean name?", "Name": ", did you mean name?",
		"voltage_limits": ", did you mean voltage_limit?", "AT": ", did you mean at?",
		"xy": "; there are at, current_limit, name, voltage_limit", "limit": "; there are at, current_limit, name, voltage_limit",
		strings.Repeat("x", 10_000): "; there are at, current_limit, name, voltage_limit",
	} {
		require.Equal(t, want, DidYouMean(word, known))
	}
	require.Equal(t, "; there are none", DidYouMean("x", nil))
}

func TestWhatNoTextHoldsIsToldWithItsLine(t *testing.T) {
	for _, bad := range []string{"\xff", "\x00", "\x1b"} {
		var into file
		_, err := Decode("x.yaml", []byte("name: demo\ncurrent_limit: '"+bad+"'\n"), &into)
		require.ErrorContains(t, err, "x.yaml:2: not YAML: ")
	}
}

// Whatever the bytes: no panic, faults of one line each in the order of lines that lie within the file, and what is read
// without a fault holds what is needed.
func FuzzDecode(f *testing.F) {
	for _, seed := range []string{good, "", "- a", "a: &a {b: *a}", "name: !!binary x", "? [a]\n: b", "name: demo\ncurrent_limit: 1 A\n---\n", "<<: {name: x}",
		"name: |\n  a\n  b\nlegs: 0x10", "probes: [{at: x}, ~]", "limits: {a: 1 V, a: 2 V}", "%YAML 1.1\n---\nname: x"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var into file
		d, err := Decode("fuzz.yaml", data, &into)
		if err == nil {
			require.NotNil(t, d)
			require.GreaterOrEqual(t, d.Fault("probes[0].at", "x").Line, 0)
			_, err := json.Marshal(into)
			require.NoError(t, err)
			return
		}
		var faults Faults
		require.True(t, errors.As(err, &faults))
		require.NotEmpty(t, faults)
		require.Equal(t, len(faults)-1, strings.Count(err.Error(), "\n"))
		for i, fault := range faults {
			require.LessOrEqual(t, fault.Line, 1+strings.Count(strings.NewReplacer("\r", "\n", "\u0085", "\n", "\u2028", "\n", "\u2029", "\n").Replace(string(data)), "\n"))
			if i > 0 {
				require.GreaterOrEqual(t, fault.Line, faults[i-1].Line)
			}
		}
	})
}
