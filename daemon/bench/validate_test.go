package bench

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/datafile"
	"benchwarden/instruments/quantity"
)

// quay is a good bench file; each test spoils one thing in it.
const quay = `bench: quay-1
title: Quayside Drive Repair, first bench
act: {by: console, console: /dev/tty1}
earthing: {bus_feed: isolated, control_common: isolated}
interlock: {contact: door, acts_in_hardware: true}
emergency_stop: red button at the right, cuts all supplies
limiter: {kind: lamp, value: 60 W}
period: 200 ms
ceilings: {voltage: 400 V, current: 1 A, power: 300 W}
safe_voltage: 50 V
instruments:
  bus: {link: "tcp://192.0.2.10:5025", dialect: plain-supply, safe: off, order: 1, sinks: 50 mA, output_capacitance: 220 uF, voltage_range: 400 V, current_range: 1.5 A, accuracy: {voltage: 0.1 % of reading + 50 mV}}
  bus_meter: {link: "tcp://192.0.2.11:5025", dialect: plain-meter, accuracy: {voltage: 0.05 % of reading + 10 mV}, calibration_due: 2027-03-31}
  control: {link: "serial:///dev/serial/by-id/ts?baud=9600&eol=cr", dialect: terse-supply, safe: leave, no_protection: fuse of 1 A in the lead}
  reference: {link: "tcp://192.0.2.12:5025", dialect: plain-reference, safe: zero}
  hall: {link: "tcp://192.0.2.13:5025", dialect: hall-source, safe: off}
  scope: {link: "tcp://192.0.2.14:5025", dialect: plain-scope}
  contacts:
    link: tcp://192.0.2.15:5025
    dialect: plain-contacts
    contacts:
      inhibit: {channel: 1, safe: closed}
      bus_contactor: {channel: 2, safe: open}
      door: {channel: 1, input: true, normal: closed}
probes:
  - {name: P1, channel: 1, kind: differential, factor: 10, max_common_mode: 1000 V, at: "gate:{leg}.high"}
  - {name: P2, channel: 2, kind: differential, factor: 10, max_common_mode: 1000 V, at: "gate:{leg}.low"}
  - {name: P3, channel: 3, kind: earthed, factor: 10, at: control}
state: {dir: /var/lib/benchwarden}
`

var heronNeeds = Needs{Family: "heron", Highest: 320, Legs: []string{"A", "B", "C"}, Stages: map[string]map[string]Envelope{
	"board": {Bus: {Voltage: 90, Current: 0.2, TripVoltage: 100, TripCurrent: 0.1}, Control: {Voltage: 24, Current: 0.8, TripVoltage: 27, TripCurrent: 0.6}},
}}

func spokeForTest(name string) (Spoken, error) {
	known := map[string]Spoken{
		"plain-supply":    {Kind: "supply", OverCurrent: "level", Exchanges: 1, Characters: 80},
		"plain-reference": {Kind: "supply", OverCurrent: "level", Exchanges: 1, Characters: 80},
		"terse-supply":    {Kind: "supply", OverCurrent: "none", Exchanges: 3, Characters: 52, Gap: 20 * time.Millisecond},
		"bare-supply":     {Kind: "supply", OverCurrent: "none", Exchanges: 1, Characters: 80},
		"plain-meter":     {Kind: "meter", Exchanges: 1, Characters: 30},
		"hall-source":     {Kind: "hall"},
		"plain-scope":     {Kind: "scope"},
		"plain-contacts":  {Kind: "contacts"},
	}
	s, ok := known[name]
	if !ok {
		return Spoken{}, fmt.Errorf("there is no dialect %q%s", name, datafile.DidYouMean(name, []string{"plain-supply", "plain-meter", "terse-supply"}))
	}
	return s, nil
}

func TestValidateRefuses(t *testing.T) {
	tests := []struct {
		name     string
		old, new string // what is spoilt
		want     []string
	}{
		{"a person who needs an hour for one act", "state: {dir", "hand_times: {act: 3600 s}\nstate: {dir", []string{"quay.yaml:29: hand_times.act: 3600 s: a person needs between nothing and 900 s for one act"}},
		{"nothing in a good file", "", "", nil},
		{"an unknown role", "  hall:", "  hal:", []string{`quay.yaml:16: instruments.hal: there is no such role, did you mean hall?`}},
		{"an unknown dialect", "dialect: plain-supply", "dialect: plain-suply",
			[]string{`quay.yaml:12: instruments.bus.dialect: there is no dialect "plain-suply", did you mean plain-supply?`}},
		{"a dialect of another kind", "dialect: plain-supply", "dialect: plain-meter",
			[]string{`quay.yaml:12: instruments.bus.dialect: plain-meter speaks to a meter; the role bus needs a supply`}},
		{"a link that cannot be read", "tcp://192.0.2.10:5025", "tcp://192.0.2.10",
			[]string{`quay.yaml:12: instruments.bus.link: address "tcp://192.0.2.10": needs a host and a port from 1 to 65535, as in tcp://192.0.2.7:5025`}},
		{"a missing safe state", "dialect: plain-supply, safe: off,", "dialect: plain-supply,",
			[]string{`quay.yaml:12: instruments.bus.safe: is missing: name the safe state of its output: off`}},
		{"a bus whose safe state is to be left", "dialect: plain-supply, safe: off", "dialect: plain-supply, safe: leave",
			[]string{`quay.yaml:12: instruments.bus.safe: "leave" is not known here; there are off`}},
		{"a safe state without an output", "dialect: plain-scope", "dialect: plain-scope, safe: off",
			[]string{`quay.yaml:17: instruments.scope.safe: "off": this role has no output of its own to be made safe`}},
		{"a contact without a safe state", "{channel: 1, safe: closed}", "{channel: 1}",
			[]string{`quay.yaml:22: instruments.contacts.contacts.inhibit.safe: is missing: name the safe state of the contact: open, closed or leave`}},
		{"two contacts on one channel", "{channel: 2, safe: open}", "{channel: 1, safe: open}",
			[]string{`quay.yaml:22: instruments.contacts.contacts.inhibit.channel: output 1 is bus_contactor already`}},
		{"a pedal at a bench that has a console", "act: {by: console, console: /dev/tty1}", "act: {by: console, console: /dev/tty1, pedal: press}",
			[]string{`quay.yaml:3: act.pedal: is said of a key or pedal, and act.by is console`}},
		{"a pedal to be held that a console goes round", "act: {by: console, console: /dev/tty1}", "act: {by: pedal, contact: door, pedal: hold_to_run, console: /dev/tty1}",
			[]string{`quay.yaml:3: act.console: cannot be named beside pedal: hold_to_run: who typed the act would hold no pedal`}},
		{"a pedal that is used in no known way", "act: {by: console, console: /dev/tty1}", "act: {by: pedal, contact: door, pedal: hold}",
			[]string{`quay.yaml:3: act.pedal: "hold" is not known here; there are hold_to_run, press`}},
		{"an unknown contact", "contact: door", "contact: dor",
			[]string{`quay.yaml:5: interlock.contact: there is no contact "dor", did you mean door?`}},
		{"an output for an input", "contact: door", "contact: inhibit",
			[]string{`quay.yaml:5: interlock.contact: "inhibit" is an output; an input is needed: write input: true if it is one`}},
		{"a supply without protection and without a reason", ", no_protection: fuse of 1 A in the lead", "",
			[]string{`quay.yaml:14: instruments.control.no_protection: is missing: control has no over-current protection of its own; say in words what protects the drive instead, the report repeats it`}},
		{"four wires on what is no meter", "dialect: plain-scope", "dialect: plain-scope, four_wire: true",
			[]string{`quay.yaml:17: instruments.scope.four_wire: only the meter can have four wires`}},
		{"a period that the wire cannot carry", "period: 200 ms", "period: 100 ms",
			[]string{`quay.yaml:8: period: 100 ms is too short for control: one poll is 3 questions and answers of 52 characters together, 54 ms on its wire, and 3 pauses of 20 ms, so 114 ms before the instrument has done anything`}},
		{"an earthed probe on a bus that is not isolated", "{name: P2, channel: 2, kind: differential", "{name: P2, channel: 2, kind: earthed",
			nil}, // an isolated feed: one earthed probe at a low gate ties bus negative to earth and no more
		{"an earthed probe on what floats", "{name: P1, channel: 1, kind: differential", "{name: P1, channel: 1, kind: earthed",
			[]string{`quay.yaml:26: probes[0].kind: P1 is earthed at gate:{leg}.high, whose source moves with the switch node: use a differential or isolated probe`}},
		{"an earthed probe on a hot control common", "control_common: isolated", "control_common: bus_negative",
			[]string{`quay.yaml:28: probes[2].kind: P3 is earthed at control, but the control common is bus negative: use a differential or isolated probe`}},
		{"a probe that the bus breaks through", "factor: 10, max_common_mode: 1000 V, at: \"gate:{leg}.low\"", "factor: 10, max_common_mode: 300 V, at: \"gate:{leg}.low\"",
			[]string{`quay.yaml:27: probes[1].max_common_mode: P2 stands 300 V at most, but family heron has up to 320 V on its bus`}},
		{"no probe for a leg", `at: "gate:{leg}.low"`, `at: "gate:A.low"`,
			[]string{`quay.yaml:25: probes: no probe reaches gate:B.low of family heron`, `quay.yaml:25: probes: no probe reaches gate:C.low of family heron`}},
		{"a leg that the family has not", `at: "gate:{leg}.low"`, `at: "gate:D.low"`,
			[]string{`quay.yaml:27: probes[1].at: gate:D.low: family heron has no leg D, it has A, B, C`,
				`quay.yaml:25: probes: no probe reaches gate:A.low of family heron`, `quay.yaml:25: probes: no probe reaches gate:B.low of family heron`,
				`quay.yaml:25: probes: no probe reaches gate:C.low of family heron`}},
		{"a point that is none", "at: control", "at: kontrol",
			[]string{`quay.yaml:28: probes[2].at: "kontrol" is no test point: write "gate:A.high", "gate:{leg}.high", "driver:A.high", "rail:<name>", "phase:A", "bus" or "control"`}},
		{"a ceiling below what the stage needs", "voltage: 400 V, current: 1 A", "voltage: 60 V, current: 1 A",
			[]string{`quay.yaml:9: ceilings.voltage: 60 V is below the 90 V that stage board of family heron needs of bus`}},
		{"a trip limit above the current limit", "voltage: 400 V, current: 1 A", "voltage: 400 V, current: 500 mA",
			[]string{`quay.yaml:9: ceilings.current: the current limit of control would be 500 mA, but stage board of family heron trips at 600 mA: a trip limit that is not below the current limit can never act`}},
		{"a safe voltage that is none", "safe_voltage: 50 V", "safe_voltage: 60 V",
			[]string{`quay.yaml:10: safe_voltage: 60 V is not between 0 V and 50 V d.c.`}},
		{"nobody who acts", "act: {by: console, console: /dev/tty1}", "act: {by: console}",
			[]string{`quay.yaml:3: act.console: is missing: name the terminal that stands at the bench, for example /dev/tty1`}},
		{"a pedal that is not there", "act: {by: console, console: /dev/tty1}", "act: {by: pedal, contact: pedal}",
			[]string{`quay.yaml:3: act.contact: there is no contact "pedal"; there are bus_contactor, door, inhibit`}},
		{"an accuracy in the wrong unit", "0.1 % of reading + 50 mV", "0.1 % of reading + 50 mA",
			[]string{`quay.yaml:12: instruments.bus.accuracy.voltage: "0.1 % of reading + 50 mA" is in A, but a voltage is in V`}},
		{"a date that is none", "2027-03-31", "31.3.2027",
			[]string{`quay.yaml:13: instruments.bus_meter.calibration_due: "31.3.2027" is not a date: write it as 2027-03-31`}},
		{"ranges that do not rise", "{voltage: 0.05 % of reading + 10 mV}", "{voltage: [{up_to: 100 V, is: 10 mV}, {up_to: 10 V, is: 2 mV}, {is: 1 V}]}",
			[]string{`quay.yaml:13: instruments.bus_meter.accuracy.voltage[1].up_to: 10 V does not lie above 100 V of the range before`}},
		{"a range without its end", "{voltage: 0.05 % of reading + 10 mV}", "{voltage: [{is: 10 mV}, {up_to: 10 V, is: 2 mV}]}",
			[]string{`quay.yaml:13: instruments.bus_meter.accuracy.voltage[0].up_to: is missing: only the last range has no end`}},
		{"a range of another quantity", "{voltage: 0.05 % of reading + 10 mV}", "{voltage: [{up_to: 10 A, is: 2 mV}, {is: 1 A}]}",
			[]string{`quay.yaml:13: instruments.bus_meter.accuracy.voltage[0].up_to: 10 A is no voltage; write it in V`,
				`quay.yaml:13: instruments.bus_meter.accuracy.voltage[1]: "1 A" is in A, but a voltage is in V`}},
		{"no statement", "{voltage: 0.05 % of reading + 10 mV}", "{voltage: []}",
			[]string{`quay.yaml:13: instruments.bus_meter.accuracy.voltage: has no statement; write it like "0.05 % of reading + 10 mV"`}},
		{"a word for calibration that nobody knows", "safe_voltage: 50 V", "safe_voltage: 50 V\ncalibration: undecided_if_due",
			[]string{`quay.yaml:11: calibration: "undecided_if_due" is not known here, did you mean undecided_when_due?`}},
		{"a limiter without its value", "{kind: lamp, value: 60 W}", "{kind: lamp}",
			[]string{`quay.yaml:7: limiter.value: is missing: say which lamp stands between capacitors and bridge`}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			require.Contains(t, quay, tt.old)
			f, err := DecodeFile("quay.yaml", []byte(strings.Replace(quay, tt.old, tt.new, 1)))
			require.NoError(t, err)
			var got []string
			for _, fault := range f.Validate(heronNeeds, spokeForTest).Faults {
				got = append(got, fault.Error())
			}
			require.Equal(t, tt.want, got)
		})
	}
}

func TestValidateRefusesWhateverIsEarthedOnALiveBus(t *testing.T) {
	for _, tt := range []struct{ name, old, new, want string }{
		{"a probe at a low gate", "{name: P2, channel: 2, kind: differential", "{name: P2, channel: 2, kind: earthed",
			"quay.yaml:27: probes[1].kind: P2 is earthed at gate:{leg}.low, but the bus feed is not isolated from the mains, so bus negative is live against earth: use a differential or isolated probe"},
		{"the meter at the bus", "dialect: plain-meter,", "dialect: plain-meter, earthed: true,",
			"quay.yaml:13: instruments.bus_meter.earthed: the bus_meter is earthed and stands on the bus, but the bus feed is not isolated from the mains, so bus negative is live against earth: use one that floats"},
		{"a free probe", `kind: earthed, factor: 10, at: control`, `kind: earthed, factor: 10`,
			"quay.yaml:28: probes[2].kind: P3 is earthed and has no fixed place, but the bus feed is not isolated from the mains, so bus negative is live against earth: use a differential or isolated probe"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			text := strings.Replace(strings.Replace(quay, "bus_feed: isolated", "bus_feed: not_isolated", 1), tt.old, tt.new, 1)
			f, err := DecodeFile("quay.yaml", []byte(text))
			require.NoError(t, err)
			require.Equal(t, tt.want, f.Validate(heronNeeds, spokeForTest).Faults.Error())
		})
	}
}

func TestValidateRefusesAnEarthedSourceOnBusNegative(t *testing.T) {
	text := strings.Replace(quay, "control_common: isolated", "control_common: bus_negative", 1)
	text = strings.Replace(text, "kind: earthed", "kind: isolated, max_common_mode: 1000 V", 1)
	text = strings.Replace(text, "dialect: plain-reference,", "dialect: plain-reference, earthed: true,", 1)
	f, err := DecodeFile("quay.yaml", []byte(text))
	require.NoError(t, err)
	require.Equal(t, "quay.yaml:15: instruments.reference.earthed: the reference is earthed, but the control common is bus negative: use one that floats",
		f.Validate(heronNeeds, spokeForTest).Faults.Error())
}

func TestValidateOfWhatIsOperatedByHand(t *testing.T) {
	const scopeLine = `  scope: {link: "tcp://192.0.2.14:5025", dialect: plain-scope}`
	const contactsHead = "    link: tcp://192.0.2.15:5025\n    dialect: plain-contacts\n"
	tests := []struct{ name, old, new, want string }{
		{"scope with its files", scopeLine, "  scope: {dialect: hand, files: /media/stick, channels: 4}", ""},
		{"scope without a folder", scopeLine, "  scope: {dialect: hand, channels: 4}", "instruments.scope.files: is missing"},
		{"scope without channels", scopeLine, "  scope: {dialect: hand, files: /media/stick}", "instruments.scope.channels: is missing"},
		{"files of a scope with a port", "dialect: plain-scope}", "dialect: plain-scope, files: /media/stick}", "files and channels belong to a scope of the dialect hand"},
		{"files of a meter", "  bus_meter: {link: \"tcp://192.0.2.11:5025\", dialect: plain-meter,", "  bus_meter: {dialect: hand, files: /media/stick,", "files and channels belong to the scope"},
		{"interlock that somebody looks at", contactsHead, "    dialect: hand\n", "door cannot be looked at by hand"},
		{"contactor that somebody opens", contactsHead, "    dialect: hand\n", "the bus contactor cannot be operated by hand"},
		{"contact with a safe state", contactsHead, "    dialect: hand\n", "what a person switches is left as it is (leave)"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			require.Contains(t, quay, tt.old)
			f, err := DecodeFile("quay.yaml", []byte(strings.Replace(quay, tt.old, tt.new, 1)))
			require.NoError(t, err)
			faults := f.Validate(heronNeeds, spokeForTest).Faults
			if tt.want == "" {
				require.Empty(t, faults)
				return
			}
			require.ErrorContains(t, faults.Err(), tt.want)
		})
	}
}

func TestValidateWarns(t *testing.T) {
	for _, tt := range []struct{ name, old, new, want string }{
		{"without a meter at the bus", "  bus_meter:", "  meter:", "there is no bus_meter: nothing here can measure the bus down, a person has to prove it by hand each time"},
		{"without an interlock", "interlock: {contact: door, acts_in_hardware: true}\n", "", "this bench has no interlock: it is never run unattended"},
		{"with one that is software", "acts_in_hardware: true", "acts_in_hardware: false", "the interlock does not act in hardware: this bench is never run unattended"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f, err := DecodeFile("quay.yaml", []byte(strings.Replace(quay, tt.old, tt.new, 1)))
			require.NoError(t, err)
			got := f.Validate(heronNeeds, spokeForTest)
			require.Empty(t, got.Faults)
			require.Len(t, got.Warnings, 1)
			require.Equal(t, tt.want, got.Warnings[0].Text)
		})
	}
}

func TestReadingABenchFileRefuses(t *testing.T) {
	for _, tt := range []struct{ name, old, new, want string }{
		{"a misspelt key", "period: 200 ms", "perod: 200 ms", "quay.yaml:8: perod: unknown key, did you mean period?"},
		{"a bare number", "period: 200 ms", "period: 0.2", "quay.yaml:8: period: "},
		{"the wrong unit", "sinks: 50 mA", "sinks: 50 mV", "quay.yaml:12: instruments.bus.sinks: "},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := DecodeFile("quay.yaml", []byte(strings.Replace(quay, tt.old, tt.new, 1)))
			require.ErrorContains(t, err, tt.want)
		})
	}
}

func TestProbesForALeg(t *testing.T) {
	f, err := DecodeFile("quay.yaml", []byte(quay))
	require.NoError(t, err)
	at := f.ProbesFor("B")
	require.Equal(t, "P1", at["gate:B.high"].Name)
	require.Equal(t, "P2", at["gate:B.low"].Name)
	require.Equal(t, "P3", at["control"].Name)
	require.Equal(t, quantity.Volts(50), f.SafeVoltage)
	require.Equal(t, Scope, f.Probes[0].Role)
}

func TestEveryBenchFileThatWeShipIsGood(t *testing.T) {
	paths, err := filepath.Glob("../../configs/benches/*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, paths)
	for _, path := range paths {
		f, err := ReadFile(path)
		require.NoError(t, err)
		require.NoError(t, f.Validate(Needs{}, Speaks([]string{"../../configs/dialects"})).Faults.Err())
	}
}

func TestWhatADialectTellsOfAPoll(t *testing.T) {
	spoke := Speaks([]string{"../../configs/dialects"})
	terse, err := spoke("terse-supply")
	require.NoError(t, err)
	require.Equal(t, Spoken{Kind: "supply", OverCurrent: "none", Exchanges: 3, Characters: 77, Gap: 20 * time.Millisecond}, terse)
	_, err = spoke("plain-suply")
	require.ErrorContains(t, err, "did you mean plain-supply?")
}

func TestNeedsOfOneStage(t *testing.T) {
	n := heronNeeds
	n.Stages = map[string]map[string]Envelope{"board": heronNeeds.Stages["board"], "soak": {Bus: {Voltage: 320, Current: 10}}}
	f, err := DecodeFile("quay.yaml", []byte(quay))
	require.NoError(t, err)
	require.Empty(t, f.Validate(n.Only("board"), spokeForTest).Faults)
}
