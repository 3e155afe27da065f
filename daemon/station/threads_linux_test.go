package station

import (
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// nicest is as nice as a thread can be.
const nicest = 19

// Facts from sched_setaffinity(2) and sched_setattr(2): both are of a thread, and what one is denied others still have.
func TestWhatComputesStandsBackAndNobodyElse(t *testing.T) {
	var all unix.CPUSet
	require.NoError(t, unix.SchedGetaffinity(0, &all))
	before, err := unix.SchedGetAttr(0, 0)
	if err != nil || before.Policy != unix.SCHED_NORMAL {
		t.Skipf("these tests run under policy %v (%v): that is left as it is", before, err)
	}

	type standing struct {
		processors unix.CPUSet
		nice       int32
	}
	computing := make(chan standing)
	go func() {
		standBack()
		var s standing
		_ = unix.SchedGetaffinity(0, &s.processors)
		if a, err := unix.SchedGetAttr(0, 0); err == nil {
			s.nice = a.Nice
		}
		computing <- s
	}()
	got := <-computing
	require.Equal(t, min(before.Nice+computingNice, nicest), got.nice)
	if all.Count() == 1 {
		require.Equal(t, all, got.processors, "there is no other processor to go to")
	} else {
		require.Equal(t, all.Count()-1, got.processors.Count())
		for i := range 1024 {
			if all.IsSet(i) {
				require.False(t, got.processors.IsSet(i), "the first processor is the wardens'")
				break
			}
		}
	}

	var after unix.CPUSet
	require.NoError(t, unix.SchedGetaffinity(0, &after))
	require.Equal(t, all, after)
}
