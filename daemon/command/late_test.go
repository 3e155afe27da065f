package command

import (
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/verdict"
)

// A reference source that takes a voltage and puts it out only later fails no good drive: nothing is measured before its output is
// where it should be.
func TestALateReferenceFailsNoGoodDrive(t *testing.T) {
	t.Parallel()
	scripts := []string{"phases"}
	if *everyFamily {
		scripts = append(scripts, "linearity")
	}
	for _, script := range scripts {
		t.Run(script, func(t *testing.T) {
			t.Parallel()
			r := tried(t, "wren", 1, false, []string{"output_follows_late:reference=400 ms"}, true, script)[0]
			require.Equal(t, string(verdict.Pass), r.Ended.Outcome, telling(r))
			require.Empty(t, r.Findings)
		})
	}
}
