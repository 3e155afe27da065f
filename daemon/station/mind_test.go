package station

import (
	"errors"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"benchwarden/daemon/bench"
	"benchwarden/daemon/event"
	"benchwarden/daemon/warden"
)

func minded(t *testing.T, journals string) *Station {
	return &Station{freeIn: freeIn, cfg: Config{File: &bench.File{Bench: "quay"}, Journals: journals, StateDir: t.TempDir(), Hub: event.NewHub()},
		warden: warden.New(warden.Config{Bench: "quay", Sink: event.SinkFunc(func(event.Event) {}), Tick: wardenTick})}
}

func TestAScriptThatKeepsTheProcessorTrips(t *testing.T) {
	for name, tt := range map[string]struct {
		holds, rests time.Duration
		trips        bool
	}{
		"a script that answers just in time stays":                     {holds: silentAfter - time.Second, rests: time.Second},
		"a script that waits for a person for an hour stays":           {holds: time.Second, rests: time.Hour},
		"a script that computes without giving the slot back does not": {holds: silentAfter + 2*mindEvery, trips: true},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := minded(t, t.TempDir())
				slot := &mindedSlot{Slot: NewSlot()}
				go s.mind(t.Context(), slot)
				for range 3 {
					require.NoError(t, slot.Take(t.Context()))
					<-time.After(tt.holds)
					slot.Give()
					<-time.After(tt.rests)
				}
				synctest.Wait()
				trip := s.warden.Tripped()
				require.Equal(t, tt.trips, trip != nil)
				if trip != nil {
					require.Equal(t, event.ScriptSilent, trip.Cause)
					require.Contains(t, trip.Text, "has not answered for")
					require.NotEmpty(t, trip.Do)
				}
			})
		})
	}
}

func TestADiskThatFillsUpTrips(t *testing.T) {
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=96m"); err != nil {
		t.Skipf("a small disk cannot be mounted here (%v): run this test as root", err)
	}
	t.Cleanup(func() { require.NoError(t, unix.Unmount(dir, 0)) })
	s := minded(t, dir)
	require.NoError(t, s.room(), "96 MB are enough")
	require.NoError(t, os.WriteFile(dir+"/fill", make([]byte, 40<<20), 0o600))
	require.ErrorContains(t, s.room(), "MB left")
	synctest.Test(t, func(t *testing.T) {
		go s.mind(t.Context(), &mindedSlot{Slot: NewSlot()})
		<-time.After(mindEvery)
		synctest.Wait()
		require.NotNil(t, s.warden.Tripped())
		require.Equal(t, event.DiskFull, s.warden.Tripped().Cause)
	})
	require.NoError(t, errors.Join(os.Remove(dir+"/fill"), s.room()))
}
