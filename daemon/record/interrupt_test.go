package record

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
)

func TestARunThatWasCutOffIsEndedOnce(t *testing.T) {
	for name, tail := range map[string]string{"between two lines": "", "in a short line": `{"at":"20`, "in a long line": `{"at":"2026-01-02T03:04:05Z","kind":"note","body":{"text":"` + strings.Repeat("long ", 100)} {
		t.Run(name, func(t *testing.T) {
			folder := t.TempDir()
			j, err := Create(folder, "run-1")
			require.NoError(t, err)
			at := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
			require.NoError(t, j.write(event.Event{At: at, Bench: "quay", Run: "run-1", Body: event.Note{Text: "the last"}}))
			_, err = j.file.Write([]byte(tail))
			require.NoError(t, err)
			require.NoError(t, j.Close())

			done, last, err := Interrupt(folder, "run-1", "quay", "the program was killed", 5)
			require.NoError(t, err)
			require.True(t, done)
			require.Equal(t, at, last.UTC())
			run, err := Read(j.Path())
			require.NoError(t, err)
			require.False(t, run.Interrupted)
			require.Zero(t, run.Torn)
			require.Len(t, run.Events, 2)
			ended := run.Events[1].Body.(event.RunEnded)
			require.Equal(t, Interrupted, ended.Outcome)
			require.Equal(t, "the program was killed", ended.Reasons[0])
			require.Equal(t, tail != "", len(ended.Reasons) == 2)

			before, err := os.ReadFile(j.Path())
			require.NoError(t, err)
			done, _, err = Interrupt(folder, "run-1", "quay", "again", 5)
			require.NoError(t, err)
			require.False(t, done)
			after, err := os.ReadFile(j.Path())
			require.NoError(t, err)
			require.Equal(t, before, after)
		})
	}
	done, _, err := Interrupt(t.TempDir(), "run-2", "quay", "there is none", 5)
	require.NoError(t, err)
	require.False(t, done)
}
