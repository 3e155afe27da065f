package drive

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/datafile"
)

// changed is a family file of ours with one passage replaced.
func changed(t *testing.T, name, from, to string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(configured, name+".yaml"))
	require.NoError(t, err)
	require.Equal(t, 1, strings.Count(string(data), from), "%q stands once in %s", from, name)
	return []byte(strings.Replace(string(data), from, to, 1))
}

func TestAWrongFamilyFileIsRefusedWithLineAndKey(t *testing.T) {
	tests := []struct {
		name     string
		family   string
		from, to string
		want     []string
	}{
		{"misspelt modulation", "heron", "kind: complementary", "kind: complementery", []string{"modulation.kind", `did you mean "complementary"`}},
		{"encoder feedback", "heron", "kind: hall_120", "kind: encoder", []string{"commutation.kind", "encoder feedback cannot be tested yet"}},
		{"resolver feedback", "heron", "kind: hall_120", "kind: resolver", []string{"commutation.kind", "resolver feedback cannot be tested yet"}},
		{"a leg that the bridge does not have", "heron", "{name: C.low, leg: C,", "{name: C.low, leg: D,", []string{"bridge.channels[5].leg", `no leg "D"`, "leg C needs a high and a low"}},
		{"a rail that is not there", "plover", "{name: A.high, leg: A, kind: high, rail: driver}", "{name: A.high, leg: A, kind: high, rail: drivr}", []string{"bridge.channels[0].rail", `did you mean "driver"`}},
		{"levels in the wrong order", "heron", "on: {low: 13.5 V, high: 16.5 V}", "on: {low: 16.5 V, high: 13.5 V}", []string{"gate.on", "has to be below"}},
		{"off level above the threshold", "wren", "off: {low: -0.5 V, high: 0.5 V}", "off: {low: -0.5 V, high: 2 V}", []string{"gate.off", "minimum threshold"}},
		{"more than an IGBT gate bears", "heron", "on: {low: 13.5 V, high: 16.5 V}", "on: {low: 13.5 V, high: 19 V}", []string{"gate.on", "more than a gate bears"}},
		{"dead time while chopping one side", "plover", "seen: reversal", "seen: chopping", []string{"modulation.dead_time.seen", "never alternate"}},
		{"duty with a saturating loop", "plover", "offset_within: 100 mV", "offset_within: 100 mV\n  duty_at_sweep: 30 %\n  duty_within: 5 %", []string{"reference.duty_at_sweep", "saturates"}},
		{"reference beyond full scale", "wren", "sweep: 4 V", "sweep: 14 V", []string{"reference.sweep", "full scale"}},
		{"trip at the current limit can never act", "heron", "bus_current: 80 mA", "bus_current: 150 mA", []string{"stages.board.bus_current", "could never act"}},
		{"trip below the reduced bus", "heron", "bus_voltage: 100 V", "bus_voltage: 85 V", []string{"stages.board.bus_voltage", "above the reduced bus"}},
		{"stage above the drive's bus", "wren", "fitted:\n    bus_voltage: 68 V", "fitted:\n    bus_voltage: 90 V", []string{"stages.fitted.bus_voltage", "more than a fifth above"}},
		{"a good drive would trip its own limit", "plover", "board:\n    bus_voltage: 46 V\n    bus_current: 450 mA", "board:\n    bus_voltage: 46 V\n    bus_current: 200 mA", []string{"stages.board.bus_current", "quiescent"}},
		{"minimum bus below the start", "plover", "minimum: 24 V", "minimum: 16 V", []string{"bus.minimum", "start"}},
		{"fed from the bus with a sweep at zero", "plover", "sweep_bus: minimum", "sweep_bus: none", []string{"sweep_bus", "fed from the bus"}},
		{"a check that nobody makes", "plover", "rail ripple]", "rail ripples]", []string{"stages.rails.needs[1]", `did you mean "rail ripple"`}},
		{"a stage that is not there", "plover", "  soak:", "  soka:", []string{"stages.soka", `did you mean "soak"`}},
		{"a sense line without permissive", "heron", "sense: thermal", "sense: termal", []string{"stand_ins[1].sense", `did you mean "thermal"`}},
		{"a contact without its normal state", "wren", "thermal: {contact: thermal, normal: closed, latches: true", "thermal: {contact: thermal", []string{"permissives.thermal.normal", "closed or open"}},
		{"a bare number", "wren", "nominal: 60 V", "nominal: 60", []string{"bus.nominal"}},
		{"a misspelt key", "wren", "bleeder: 1.8 kohm", "bleder: 1.8 kohm", []string{"bleder", "bleeder"}},
		{"unknown idle pattern", "wren", "idle: toggle", "idle: togle", []string{"patterns.idle", `did you mean "toggle"`}},
		{"no capacitance", "heron", "capacitance: 470 uF", "capacitance: 0 uF", []string{"bus.capacitance", "above zero"}},
		{"missing pulses with a certainty that nothing gives", "heron", "jitter_within: 500 ns", "jitter_within: 500 ns\n  missing: {one_in: 10000, confidence: 100 %}", []string{"modulation.missing.confidence", "between 0 % and 100 %"}},
		{"missing pulses without a confidence", "heron", "jitter_within: 500 ns", "jitter_within: 500 ns\n  missing: {one_in: 10000}", []string{"modulation.missing", "confidence"}},
		{"every pulse missing", "heron", "jitter_within: 500 ns", "jitter_within: 500 ns\n  missing: {one_in: 1, confidence: 95 %}", []string{"modulation.missing.one_in", "2 or more"}},
		{"a decision rule that nobody knows", "heron", "decision: simple", "decision: guardet", []string{": decision", `did you mean "guarded"`, "{false_acceptance: 5 %}"}},
		{"a risk under a misspelt key", "heron", "decision: simple", "decision: {false_aceptance: 5 %}", []string{": decision.false_aceptance", "did you mean false_acceptance?"}},
		{"a decision without its risk", "heron", "decision: simple", "decision: {}", []string{"decision.false_acceptance", "is missing"}},
		{"no risk at all", "heron", "decision: simple", "decision: {false_acceptance: 0 %}", []string{"decision.false_acceptance", "between 0 % and 50 %"}},
		{"a coin would do as well", "heron", "decision: simple", "decision: {false_acceptance: 50 %}", []string{"decision.false_acceptance", "between 0 % and 50 %"}},
		{"a risk without its unit", "heron", "decision: simple", "decision: {false_acceptance: 0.05}", []string{"decision.false_acceptance"}},
		{"two low sides on a leg", "wren", "{name: B.low, leg: B, kind: low,", "{name: B.low, leg: A, kind: low,", []string{"leg A has two low side channels"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Decode("families/x.yaml", changed(t, tt.family, tt.from, tt.to))
			require.Error(t, err)
			require.ErrorAs(t, err, &datafile.Faults{})
			for _, want := range tt.want {
				require.ErrorContains(t, err, want)
			}
			require.Regexp(t, `families/x\.yaml:\d+: `, err.Error(), "file and line")
		})
	}
}

func TestAllFaultsAreToldAtOnce(t *testing.T) {
	data := strings.Replace(string(changed(t, "heron", "kind: complementary", "kind: both")), "loop: open", "loop: closed", 1)
	_, err := Decode("x.yaml", []byte(data))
	require.ErrorContains(t, err, "modulation.kind")
	require.ErrorContains(t, err, "loop")
}

func TestAnUnknownFamilyIsNamedWithNearMissAndList(t *testing.T) {
	_, err := LoadNamed([]string{configured}, "herno")
	require.ErrorIs(t, err, ErrUnknownFamily)
	require.ErrorContains(t, err, `did you mean "heron"?`)
	require.ErrorContains(t, err, "heron, plover, unknown, wren")

	_, err = LoadNamed([]string{configured}, "zzzzzzzz")
	require.ErrorIs(t, err, ErrUnknownFamily)
	require.NotContains(t, err.Error(), "did you mean")

	for _, name := range []string{"", "../heron", `a\b`} {
		_, err = LoadNamed([]string{configured}, name)
		require.ErrorIs(t, err, ErrUnknownFamily, name)
	}
	_, err = LoadNamed([]string{t.TempDir()}, "heron")
	require.ErrorContains(t, err, "no family files in")
}

func TestTheFirstDirectoryWins(t *testing.T) {
	own := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(own, "wren.yaml"), changed(t, "wren", "reduced: 30 V", "reduced: 28 V"), 0o644))
	f, err := LoadNamed([]string{own, configured}, "wren")
	require.NoError(t, err)
	require.InDelta(t, 28, float64(f.Bus.Reduced), 1e-9)
	require.NotEqual(t, load(t, "wren").Hash(), f.Hash())
}

func TestAFileWhoseNameIsNotItsFamilysIsRefused(t *testing.T) {
	own := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(own, "dipper.yaml"), changed(t, "wren", "reduced: 30 V", "reduced: 28 V"), 0o644))
	_, err := LoadNamed([]string{own}, "dipper")
	require.ErrorContains(t, err, `says "wren"`)
}

func FuzzDecodeNeverAcceptsAFamilyThatCannotBeUsed(f *testing.F) {
	for _, name := range []string{"heron", "plover", "wren", "unknown"} {
		data, err := os.ReadFile(filepath.Join(configured, name+".yaml"))
		require.NoError(f, err)
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		family, err := Decode("x.yaml", data)
		if err != nil {
			return
		}
		for _, s := range []Stage{Rails, Board, Fitted, Soak} {
			if l := family.LimitsFor(s); l.BusVoltage != 0 && !(l.BusCurrent < l.CurrentLimit) {
				t.Fatalf("stage %s: trip %v at or above the current limit %v", s, l.BusCurrent, l.CurrentLimit)
			}
		}
		for _, d := range Directions() {
			for _, code := range family.Walk(d) {
				if _, valid := family.Expected(code, d); !valid {
					t.Fatalf("code %03b of the walk is not valid", code)
				}
			}
		}
	})
}

// Whatever stands for the decision rule: it is taken and decides, or it is one line that names file, line and key.
func FuzzDecisionIsTakenOrToldInOneLine(f *testing.F) {
	good, err := os.ReadFile(filepath.Join(configured, "wren.yaml"))
	require.NoError(f, err)
	at := 1 + strings.Count(string(good[:strings.Index(string(good), "decision: simple")]), "\n")
	for _, seed := range []string{"simple", "guarded", "guardet", "5 %", "0 %", "50 %", "-5 %", "0.05", "5 V", "NaN %", "1e-300 %", "", "it's", "{}"} {
		f.Add(seed, true)
		f.Add(seed, false)
	}
	f.Fuzz(func(t *testing.T, value string, risk bool) {
		if strings.ContainsFunc(value, func(r rune) bool { return r < ' ' || r == '\uFFFD' || !unicode.IsPrint(r) }) {
			return // more than one line, or no text
		}
		written := "'" + strings.ReplaceAll(value, "'", "''") + "'"
		if risk {
			written = "{false_acceptance: " + written + "}"
		}
		family, err := Decode("wren.yaml", []byte(strings.Replace(string(good), "decision: simple", "decision: "+written, 1)))
		if err == nil {
			low, high := 1.0, 2.0
			require.Equal(t, verdict.Fail, verdict.Decide(3, 0.1, &low, &high, family.Decision.Rule()))
			require.NotEqual(t, verdict.Fail, verdict.Decide(1.5, 0.1, &low, &high, family.Decision.Rule()))
			return
		}
		require.Regexp(t, fmt.Sprintf(`\Awren\.yaml:%d: decision(\.false_acceptance)?: .+\z`, at), err.Error())
	})
}
