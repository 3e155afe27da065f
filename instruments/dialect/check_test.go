package dialect

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func good(t testing.TB) string {
	text, err := os.ReadFile("testdata/good.yaml")
	require.NoError(t, err)
	return string(text)
}

func TestEachFaultOfAFileIsToldWithLineAndKey(t *testing.T) {
	tests := []struct {
		name     string
		old, new string
		want     string // the whole message
	}{
		{"unknown key", "title:", "titel:", "x.yaml:2: titel: unknown key, did you mean title?"},
		{"missing key", "connections: 1\n", "", "x.yaml:1: connections: is missing"},
		{"bare number where a unit is needed", "reply_within: 1 s", "reply_within: 1", `x.yaml:10: reply_within: "1" has no unit: write one, for example "1 s"`},
		{"unknown kind", "kind: supply", "kind: suply", `x.yaml:1: kind: "suply" is no kind of instrument, did you mean supply?`},
		{"terminator", "eol: lf", "eol: nl", `x.yaml:4: eol: wants lf, crlf or cr, got "nl"`},
		{"identity is no expression", "'^Quayside Test,supply,'", "'('", "x.yaml:3: identity.pattern: is no regular expression: error parsing regexp: missing closing ): `(`"},
		{"identity of anything", "'^Quayside Test,supply,'", "'.*'", "x.yaml:3: identity.pattern: matches an empty answer, so it would recognise anything"},
		{"wait", "wait: {by: opc}", "wait: {by: hope}", `x.yaml:5: wait.by: wants opc or delay or poll, got "hope"`},
		{"delay without time", "wait: {by: opc}", "wait: {by: delay}", "x.yaml:5: wait.delay: wants a time above zero"},
		{"poll without question", "wait: {by: opc}", "wait: {by: poll, delay: 10 ms}", "x.yaml:5: wait: waiting by poll needs ask and done"},
		{"token that is no token", `answer: "{a};{b}"`, `answer: "1"`, "x.yaml:7: resync: ask and answer want {a} and {b}: with fewer random numbers a late answer might be taken for the token"},
		{"no way to get into step", `resync: {ask: "*ESE {a};*ESE?;*ESE {b};*ESE?", answer: "{a};{b}"}`, "resync: {}", "x.yaml:7: resync: wants either ask and answer, or silence"},
		{"no connections", "connections: 1", "connections: 0", "x.yaml:8: connections: wants 1 or more"},
		{"no time at all", "takes_effect_within: 100 ms", "takes_effect_within: 0 s", "x.yaml:9: takes_effect_within: wants a time above zero, up to 60 s"},
		{"over-current protection", "over_current: level", "over_current: fast", `x.yaml:11: over_current: wants level or on_cc or none, got "fast"`},
		{"unknown status", "cc: bit 0", "cx: bit 0", "x.yaml:12: status.cx: unknown; there are cc, cv, off, over_current, over_voltage"},
		{"bits and words", "cv: bit 1", "cv: CV", "x.yaml:12: status: is either by bits or by words"},
		{"bit that is none", "cv: bit 1", "cv: 2", `x.yaml:12: status.cv: wants "bit 0" or a word, got "2"`},
		{"range in another unit", "0 V .. 80 V", "0 A .. 80 A", "x.yaml:14: ranges.voltage: wants values in V, got 0 A to 80 A"},
		{"range without unit", "0 V .. 80 V", "0 .. 80", "x.yaml:14: ranges.voltage: wants values in V, got 0 to 80"},
		{"range in two units", "0 V .. 80 V", "0 V .. 80 A", "x.yaml:14: ranges.voltage: cannot compare amperes with volts"},
		{"range upside down", "0 V .. 80 V", "80 V .. 0 V", "x.yaml:14: ranges.voltage: begins at 80 V, above its end 0 V"},
		{"no range", "0 V .. 80 V", "80 V", `x.yaml:14: ranges.voltage: wants a range such as "0 V .. 80 V", got "80 V"`},
		{"range of nothing", "  current: 0 A", "  curent: 0 A", "x.yaml:13: ranges.current: is missing; nothing is sent without a range\nx.yaml:15: ranges.curent: unknown, did you mean current?"},
		{"unknown command", "set_current:", "set_curent:", "x.yaml:18: commands.set_curent: a supply has no such command, did you mean set_current?"},
		{"missing command", "  output: {send: \"OUTP {on:ON|OFF}\"}\n", "", "x.yaml:16: commands.output: is missing; a supply needs it"},
		{"unknown parameter", "{voltage:.3f}", "{volts:.3f}", "x.yaml:17: commands.set_voltage.send: does not say {voltage}\nx.yaml:17: commands.set_voltage.send: has no parameter volts; there are voltage"},
		{"parameter left out", " {voltage:.3f}", "", "x.yaml:17: commands.set_voltage.send: does not say {voltage}"},
		{"format of another sort", "{voltage:.3f}", "{voltage:d}", "x.yaml:17: commands.set_voltage.send: {voltage} is a measured number, not a whole number"},
		{"unknown format", "{voltage:.3f}", "{voltage:.3g}", `x.yaml:17: commands.set_voltage.send: {voltage:.3g}: ".3g" is no format; there are .4f, .6e, d, yes|no, ours=theirs,..., string`},
		{"number for a yes or no", "{on:ON|OFF}", "{on}", "x.yaml:19: commands.output.send: {on} is a yes or no, not a measured number"},
		{"the same word for yes and no", "{on:ON|OFF}", "{on:ON|ON}", `x.yaml:19: commands.output.send: {on:ON|ON}: "ON|ON" is no format; there are .4f, .6e, d, yes|no, ours=theirs,..., string`},
		{"factor below zero", "{current*1000:.1f}", "{current*-1:.1f}", `x.yaml:18: commands.set_current.send: {current*-1:.1f}: the factor "-1" is no number above zero`},
		{"brace left open", "{voltage:.3f}", "{voltage:.3f", `x.yaml:17: commands.set_voltage.send: the braces in "VOLT {voltage:.3f" do not pair`},
		{"line end in a message", `"VOLT {voltage:.3f}"`, `"VOLT {voltage:.3f}\nOUTP ON"`, `x.yaml:17: commands.set_voltage.send: "VOLT {voltage:.3f}\nOUTP ON" holds a character that may not be sent`},
		{"line end in a question", `error_queue: "SYST:ERR?"`, `error_queue: "SYST:ERR?\n"`, `x.yaml:6: error_queue: "SYST:ERR?\n" holds a character that may not be sent`},
		{"unknown question", "  voltage_setpoint: {", "  voltage_setpiont: {", "x.yaml:20: queries.voltage_setpoint: is missing; a supply needs it\nx.yaml:28: queries.voltage_setpiont: a supply has no such question, did you mean voltage_setpoint?"},
		{"question with a parameter it has not", `"VOLT?"`, `"VOLT? {channel:d}"`, "x.yaml:28: queries.voltage_setpoint.ask: has no parameters, so no {channel}"},
		{"unit of another kind", "suffix: mA", "suffix: mV", `x.yaml:22: queries.current.suffix: "mV" is not read as A; say the factor too`},
		{"value without place", "on: {position: 2}", "on: {}", "x.yaml:27: queries.mode.values.on: wants either a position from 1 or a key"},
		{"place behind the last", "on: {position: 2}", "on: {position: 3}", "x.yaml:27: queries.mode.values.on: stands at position 3 of 2"},
		{"value missing", ", on: {position: 2}", "", "x.yaml:27: queries.mode.values.on: is missing"},
		{"unknown value", "on: {position: 2}", "oof: {position: 2}", "x.yaml:27: queries.mode.values.on: is missing\nx.yaml:27: queries.mode.values.oof: unknown; there are on, status"},
		{"not split", "    split: \";\"\n", "", `x.yaml:23: queries.mode.split: wants , or ; or space, got ""`},
		{"block format of no block", `{ask: "VOLT?"}`, `{ask: "VOLT?", samples: int8}`, "x.yaml:28: queries.voltage_setpoint: samples and order belong to a block"},
	}
	text := good(t)
	_, err := Decode("x.yaml", []byte(text))
	require.NoError(t, err)
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			require.Equal(t, 1, strings.Count(text, test.old), "the row has to change one place")
			_, err := Decode("x.yaml", []byte(strings.Replace(text, test.old, test.new, 1)))
			require.EqualError(t, err, test.want)
		})
	}
}

func TestDialectIsFoundByNameOrTheNearMissIsTold(t *testing.T) {
	own := t.TempDir()
	require.NoError(t, os.WriteFile(own+"/plain-supply.yaml", []byte(good(t)), 0o600))

	d, err := LoadNamed([]string{own, ours}, "plain-supply")
	require.NoError(t, err)
	require.Equal(t, "A supply for tests", d.Title, "a user's own file comes first")
	require.Equal(t, "plain-supply", d.Name)

	_, err = LoadNamed([]string{own, ours}, "plain-suply")
	require.EqualError(t, err, "dialect plain-suply: there is no plain-suply.yaml in "+own+", "+ours+", did you mean plain-supply?")
	_, err = LoadNamed([]string{own}, "../plain-supply")
	require.EqualError(t, err, `dialect "../plain-supply": a name has letters, digits and dashes only`)
	_, err = LoadNamed([]string{t.TempDir()}, "plain-supply")
	require.ErrorContains(t, err, "there are no dialect files in")
}
