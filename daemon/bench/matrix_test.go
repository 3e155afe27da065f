package bench

import (
	"context"
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/instruments/link"
)

const withMatrix = `  meter: {link: "tcp://192.0.2.16:5025", dialect: plain-meter}
  matrix: {link: "tcp://192.0.2.17:5025", dialect: plain-matrix, safe: open, order: 1, rows: {high: 1, low: 2}, columns: {"bus+": 1, "phase:A": 2, common: 3, chassis: 4}}
  contacts:
`

func matrixFile(old, new string) string {
	text := strings.Replace(quay, "  contacts:\n", withMatrix, 1)
	return strings.Replace(text, old, new, 1)
}

func spokeWithMatrix(name string) (Spoken, error) {
	if name == "plain-matrix" {
		return Spoken{Kind: "matrix"}, nil
	}
	return spokeForTest(name)
}

func TestValidateLooksAtTheMatrix(t *testing.T) {
	tests := []struct {
		name     string
		old, new string
		want     string // empty: nothing is wrong
	}{
		{"good", "", "", ""},
		{"no safe state", "safe: open, order: 1, rows", "order: 1, rows", "instruments.matrix.safe: is missing"},
		{"safe state that it has not", "safe: open, order: 1, rows", "safe: off, order: 1, rows", "instruments.matrix.safe"},
		{"no row", "rows: {high: 1, low: 2}", "rows: {high: 1}", "low is missing: which row carries the meter's negative lead"},
		{"one row for both leads", "rows: {high: 1, low: 2}", "rows: {high: 2, low: 2}", "both of the meter's leads are on row 2"},
		{"unknown row", "rows: {high: 1, low: 2}", "rows: {high: 1, low: 2, hi: 3}", `"hi" is not known here`},
		{"column twice", `"phase:A": 2`, `"phase:A": 1`, "column 1 carries bus+ already"},
		{"column 0", `"phase:A": 2`, `"phase:A": 0`, "columns count from 1"},
		{"no such point", `"phase:A": 2`, `"phase": 2`, `"phase" is no test point of a matrix`},
		{"no columns", `, columns: {"bus+": 1, "phase:A": 2, common: 3, chassis: 4}`, "", "columns: is missing"},
		{"no meter", `  meter: {link: "tcp://192.0.2.16:5025", dialect: plain-meter}` + "\n", "", "no meter that the matrix could bring"},
		{"rows of another role", "dialect: plain-meter}\n  matrix", "dialect: plain-meter, rows: {high: 1}}\n  matrix", "belong to the role matrix"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			text := matrixFile(test.old, test.new)
			f, err := DecodeFile("quay.yaml", []byte(text))
			require.NoError(t, err)
			err = f.Validate(heronNeeds, spokeWithMatrix).Faults.Err()
			if test.want == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, test.want)
			require.ErrorContains(t, err, "quay.yaml:")
		})
	}
}

func TestValidateRefusesAPathFromAnEarthedMeterToAHotCommon(t *testing.T) {
	for _, earthed := range []string{"meter", "matrix"} {
		for _, test := range []struct {
			earthing string
			refused  []string
			fine     []string
		}{
			{"bus_feed: isolated, control_common: isolated", nil, []string{"bus+", "phase:A", "common", "chassis"}},
			{"bus_feed: not_isolated, control_common: isolated", []string{"bus+", "phase:A"}, []string{"common", "chassis"}},
			{"bus_feed: not_isolated, control_common: bus_negative", []string{"bus+", "phase:A", "common"}, []string{"chassis"}},
		} {
			t.Run(earthed+" "+test.earthing, func(t *testing.T) {
				text := matrixFile("bus_feed: isolated, control_common: isolated", test.earthing)
				text = strings.Replace(text, "  "+earthed+": {", "  "+earthed+": {earthed: true, ", 1)
				f, err := DecodeFile("quay.yaml", []byte(text))
				require.NoError(t, err)
				told := ""
				if err := f.Validate(Needs{}, spokeWithMatrix).Faults.Err(); err != nil {
					told = err.Error()
				}
				for _, point := range test.refused {
					require.Contains(t, told, "columns."+point+": the "+earthed+" is earthed")
				}
				for _, point := range test.fine {
					require.NotContains(t, told, "columns."+point+":")
				}
			})
		}
	}
}

// stuckMatrix says that a path is closed, or nothing.
type stuckMatrix struct {
	closed string
	err    error
	opened int
}

func (m *stuckMatrix) Reaches(string) bool                                          { return true }
func (m *stuckMatrix) Connect(context.Context, link.Priority, string, string) error { return nil }
func (m *stuckMatrix) Join(context.Context, link.Priority, string, string) error    { return nil }
func (m *stuckMatrix) Open(context.Context, link.Priority) error                    { m.opened++; return nil }
func (m *stuckMatrix) Closed(context.Context, link.Priority) (string, error)        { return m.closed, m.err }
func (m *stuckMatrix) OpenAll() error                                               { m.opened++; return nil }

func TestMatrixIsSafeOnlyWhenItReadsBackOpen(t *testing.T) {
	s := matrixOpen{newInstrument(Matrix, &Instrument{})}
	m := &stuckMatrix{}
	d := &Device{Matrix: m}
	require.NoError(t, s.urgent(d))
	require.NoError(t, s.repeat(t.Context(), d))
	require.Equal(t, 2, m.opened)
	require.Equal(t, []event.Output{{Name: "matrix", Safe: "open", Confirmed: true}}, s.confirm(t.Context(), d))
	m.closed = "(@1!2)"
	require.Equal(t, []event.Output{{Name: "matrix", Safe: "open", Text: "it says that (@1!2) is closed"}}, s.confirm(t.Context(), d))
	m.closed, m.err = "", errors.New("silence")
	require.Equal(t, []event.Output{{Name: "matrix", Safe: "open", Text: "silence"}}, s.confirm(t.Context(), d))
}
