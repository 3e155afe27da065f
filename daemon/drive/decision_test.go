package drive

import (
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/verdict"
)

func TestADecisionIsAWordOrARisk(t *testing.T) {
	for written, want := range map[string]verdict.Rule{
		"decision: simple":                  verdict.Default,
		"decision: guarded":                 verdict.Guarded,
		"decision: {false_acceptance: 5 %}": verdict.FalseAcceptance(0.05),
		"# none: as simple":                 verdict.Default,
	} {
		f, err := Decode("heron.yaml", changed(t, "heron", "decision: simple", written))
		require.NoError(t, err, written)
		require.Equal(t, want, f.Decision.Rule(), written)
	}
}
