package job

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
	"benchwarden/daemon/record"
	"benchwarden/instruments/quantity"
)

// cutOff puts a soak into the record that was killed after so many seconds; seen is how many entries the job had.
func (s *shop) cutOff(t *testing.T, name string, at time.Time, seen int, bodies ...event.Body) {
	t.Helper()
	folder := t.TempDir()
	journal, err := record.Create(folder, name)
	require.NoError(t, err)
	hub := event.NewHub()
	kept := hub.Subscribe(event.Lossless)
	keeping := make(chan error, 1)
	ctx, stop := context.WithCancel(t.Context())
	go func() { keeping <- journal.Keep(ctx, name, kept) }()
	started := event.RunStarted{Script: "soak.star", Stage: "soak", Family: "heron", Unit: "H-0042", Job: s.id, JobEntries: seen}
	for i, b := range append([]event.Body{started}, bodies...) {
		hub.Emit(event.Event{At: at.Add(time.Duration(i) * time.Second), Bench: "b1", Run: name, Body: b})
	}
	require.Eventually(t, func() bool {
		run, err := record.Read(journal.Path())
		return err == nil && len(run.Events) == len(bodies)+1
	}, 5*time.Second, 5*time.Millisecond)
	stop()
	<-keeping
	kept.Close()
	require.NoError(t, journal.Close())
	require.NoError(t, s.desk.Take(t.Context(), journal.Path()))
}

func TestASoakThatWasCutOffCanBeContinuedAndOnlyThat(t *testing.T) {
	s := open(t, fullShelf)
	at := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	_, err := s.desk.CutOff(t.Context(), s.id, "soak.star")
	require.ErrorContains(t, err, "has no run of soak to continue")

	s.cutOff(t, "soak-1", at, 1, event.Progress{Done: 10, Of: 60}, event.Progress{Done: 20, Of: 60}, event.Step{Text: "x"})
	part, err := s.desk.CutOff(t.Context(), s.id, "soak")
	require.NoError(t, err)
	require.Equal(t, Part{Run: "soak-1", Part: 1, Done: 20, LastHeard: at.Add(3 * time.Second)}, withUTC(part))

	s.cutOff(t, "soak-2", at.Add(time.Hour), 1, event.Continued{Run: "soak-1", Part: 2, Done: 20, Gap: 3597},
		event.RunEnded{Outcome: record.Interrupted, Exit: 5})
	part, err = s.desk.CutOff(t.Context(), s.id, "soak")
	require.NoError(t, err)
	require.Equal(t, Part{Run: "soak-2", Part: 2, Done: quantity.Seconds(20), LastHeard: at.Add(time.Hour + time.Second)}, withUTC(part),
		"what was written later about its end does not count as having heard of it")

	s.must(Replaced, Replacement{Part: "fan", Quantity: 1})
	_, err = s.desk.CutOff(t.Context(), s.id, "soak")
	require.ErrorContains(t, err, "something was replaced")

	s.run("soak", "soak", "pass", -1, false)
	_, err = s.desk.CutOff(t.Context(), s.id, "soak")
	require.ErrorContains(t, err, "was not cut off: it ended pass")
}

func withUTC(p Part) Part {
	p.LastHeard = p.LastHeard.UTC()
	return p
}
