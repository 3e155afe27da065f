package station

import (
	"os"
	"runtime"
	"strconv"

	"golang.org/x/sys/unix"
)

// shortSlice is the time slice of threads that have little to do and must do it soon, in nanoseconds. Since Linux 6.12 a thread that
// wakes up takes the processor from one with a longer slice at once (sched_setattr(2), sched_runtime of SCHED_OTHER); it needs no
// privilege and takes nobody's share. Older systems do not know it: there the wardens wait as any thread does. It has room for a
// trip: a thread that has used up its slice on the way to OFF has to let others go first.
const shortSlice = 200_000

// computingNice is how far threads that compute stand back behind all others. A thread takes the processor at once only if it has not
// had more than its share just before; beside one that is so nice that is so soon again. Nicer still, and on a computer whose
// processors are all taken by others the runtime, which now and then waits for every thread, would wait too long.
const computingNice = 10

// runSoon gives every thread of this process the short slice; those that come later inherit it. What fails changes no more than how
// soon the wardens run on a busy computer.
func runSoon() {
	threads, err := os.ReadDir("/proc/self/task")
	if err != nil {
		return
	}
	for _, t := range threads {
		if id, err := strconv.Atoi(t.Name()); err == nil {
			_ = withSlice(id, shortSlice, 0)
		}
	}
}

// standBack ties the calling goroutine, until it ends, to a thread that lets all others go first and leaves the first processor to
// them: for scripts and analysis. The thread ends with it, since without privileges nothing takes a thread back to the front.
func standBack() {
	runtime.LockOSThread()
	_ = withSlice(0, 0, computingNice) // as runSoon
	leaveFirst()
}

// leaveFirst keeps the calling thread off the first of the processors that it may use, if it may use others. The system would put a
// warden's thread behind a computing one, which is owed its share however nice it is, while another processor has nothing to do.
func leaveFirst() {
	var set unix.CPUSet
	if err := unix.SchedGetaffinity(0, &set); err != nil || set.Count() < 2 {
		return
	}
	first := 0
	for !set.IsSet(first) {
		first++
	}
	set.Clear(first)
	_ = unix.SchedSetaffinity(0, &set) // as runSoon
}

// withSlice sets a thread's slice, 0 the system's own, and makes it nicer by so much.
func withSlice(thread int, slice uint64, nicer int32) error {
	a, err := unix.SchedGetAttr(thread, 0)
	if err != nil || a.Policy != unix.SCHED_NORMAL {
		return err // what runs under another policy was set up by somebody who knows
	}
	a.Runtime = slice
	a.Nice += nicer
	return unix.SchedSetAttr(thread, a, 0)
}
