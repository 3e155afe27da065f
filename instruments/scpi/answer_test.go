package scpi

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestParseBool(t *testing.T) {
	tests := []struct {
		answer  string
		want    bool
		wantErr string
	}{
		// Always 0 or 1 in answers: signal generator and supply manuals.
		{answer: "0"},
		{answer: "1", want: true},
		{answer: "+1", want: true},
		{answer: " 0\r"},
		{answer: "ON", want: true},
		{answer: "off"},
		{answer: "2", wantErr: `"2" is neither`},
		{answer: "0.4", wantErr: "neither"},
		{answer: "", wantErr: "neither"},
		{answer: "yes", wantErr: "neither"},
		{answer: "1,0", wantErr: "neither"},
		{answer: "9.91E37", wantErr: "no reading"},
		{answer: "9.9E37", wantErr: "range"},
	}
	for _, tt := range tests {
		t.Run(tt.answer, func(t *testing.T) {
			got, err := ParseBool(tt.answer)
			if tt.wantErr != "" {
				require.ErrorContains(t, err, tt.wantErr)
				return
			}
			require.NoError(t, err)
			require.Equal(t, tt.want, got)
		})
	}
}

func TestParseString(t *testing.T) {
	tests := []struct {
		answer, want, wantErr string
	}{
		// The enclosing quote is doubled inside: IEEE 488.2 string data, as in the
		// grammar of an open SCPI library.
		{answer: `"CH1"`, want: "CH1"},
		{answer: `'CH1'`, want: "CH1"},
		{answer: `"say ""no"""`, want: `say "no"`},
		{answer: `'it''s'`, want: "it's"},
		{answer: `"it's"`, want: "it's"},
		{answer: ` "a;b,c" ` + "\r", want: "a;b,c"},
		{answer: `""`, want: ""},
		{answer: `CH1`, wantErr: "not a string"},
		{answer: ``, wantErr: "not a string"},
		{answer: `"CH1`, wantErr: "no closing quote"},
		{answer: `"`, wantErr: "no closing quote"},
		{answer: `"CH1""`, wantErr: "no closing quote"},
		{answer: `"a"b`, wantErr: "goes on"},
		{answer: `"a","b"`, wantErr: "goes on"},
	}
	for _, tt := range tests {
		t.Run(tt.answer, func(t *testing.T) {
			got, err := ParseString(tt.answer)
			if tt.wantErr != "" {
				require.ErrorContains(t, err, tt.wantErr)
				return
			}
			require.NoError(t, err)
			require.Equal(t, tt.want, got)
		})
	}
}

func TestSplitList(t *testing.T) {
	tests := []struct {
		name, answer string
		want         []string
	}{
		{"one element", "1.5", []string{"1.5"}},
		{"white space around elements goes", " 1 , 2,3 \r", []string{"1", "2", "3"}},
		{"empty elements stay", "1,,2,", []string{"1", "", "2", ""}},
		{"nothing", " \r", nil},
		{"a comma in a string", `-113,"Undefined header;VOLT,5"`, []string{"-113", `"Undefined header;VOLT,5"`}},
		{"a doubled quote in a string", `"a"",b",c`, []string{`"a"",b"`, "c"}},
		{"single quotes", `'a,b','c'`, []string{`'a,b'`, `'c'`}},
		{"a comma in a block", "1,#15a,b, ,2", []string{"1", "#15a,b, ", "2"}},
		{"a comma in parentheses", "(@1,2),(@3)", []string{"(@1,2)", "(@3)"}},
		{"no block after all", "#H2F,#,#5", []string{"#H2F", "#", "#5"}},
		{"a quote inside a word is text", `5" display,2`, []string{`5" display`, "2"}},
		// Four fields: IEEE 488.2 clause 10.14.
		{"an identity", "Quayside,Bench 1,0,1.0", []string{"Quayside", "Bench 1", "0", "1.0"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			require.Equal(t, tt.want, SplitList(tt.answer))
		})
	}
}

func TestFormatBool(t *testing.T) {
	require.Equal(t, "1", FormatBool(true))
	require.Equal(t, "0", FormatBool(false))
}
