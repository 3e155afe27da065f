package command

import (
	"slices"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/record"
	"benchwarden/daemon/station"
)

// A soak whose daemon was killed is in the record as cut off, and goes on as a new part: by a new act at the bench, with the time before
// counted and the gap told. What a part alone cannot show stays not shown.
func TestASoakGoesOnAfterItsDaemonWasKilled(t *testing.T) {
	t.Parallel()
	r := takeIn(t, "wren")
	r.env = append(r.env, variable("configs")+"="+quickly(t))
	r.fittedWithout("only the soak is tried")
	r.does("job", "override", r.id, "--stage", "fitted", "--reason", "only the soak is tried", "--by", "Bo")
	file := r.path("quay.yaml")
	r.start(t, "simulate", "--family", "wren", "--fitted", "--name", "quay", "--bench-file", file).says("Ctrl-C ends it")
	file = r.changed(t, file, "\nperiod: 100 ms", "\nperiod: 500 ms", "    period: 300 ms", "    period: 800 ms")

	soak := []string{"run", "soak", "--bench", "quay", "--job", r.id, "--operator", "Ann"}
	s := serveBench(t, r.place, file)
	first := s.start(t, soak...)
	first.says("Energise bus")
	first.says(`of \S+ s`) // it tells how far it is
	s.daemon.signal(syscall.SIGKILL)
	s.daemon.ended()
	require.NotZero(t, first.ended())

	s.serve(t)
	s.daemon.says(`run \S+-soak on unit U-1.*interrupted`)
	second := s.start(t, append(soak, "--continue")...)
	second.says("Energise bus")
	second.says("the gap was")
	require.Equal(t, station.ExitUndecided, second.ended(), second.output())
	require.Contains(t, second.output(), "this part began with a drive that was still warm")
	runs := r.state().Runs
	require.GreaterOrEqual(t, len(runs), 2)
	require.True(t, slices.ContainsFunc(runs, func(h record.Head) bool { return h.Outcome == record.Interrupted }), "%+v", runs)
	r.does("records", "verify")
	r.does("report", r.id, "--html", r.path("r.html"))
}
