package station

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/job"
)

func TestTheGapOfAContinuedRun(t *testing.T) {
	heard := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	before := job.Part{Run: "r", Part: 1, Done: 600, LastHeard: heard}

	p := after(before, heard.Add(90*time.Second))
	require.False(t, p.ClockSetBack)
	require.Equal(t, 90*time.Second, p.Gap.Duration())
	require.Equal(t, "the gap was 90 s", p.GapInWords())

	p = after(before, heard.Add(-time.Hour))
	require.True(t, p.ClockSetBack, "a gap below zero is none")
	require.Zero(t, p.Gap)
	require.Contains(t, p.GapInWords(), "clock was set back")
	require.Equal(t, 2, p.Number)
	require.EqualValues(t, 600, p.Done)
}
