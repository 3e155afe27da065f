package station

import (
	"encoding/json"
	"flag"
	"fmt"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
)

var replays = flag.Int("replays", 40, "how many seeds TestASeedReplays runs twice")

// TestASeedReplays runs each seed twice: what is told and what each instrument takes, with the instant of each to the nanosecond, is the
// same. Things of one instant are told in no order. A few seeds of a thousand part all the same: two clocks of the program that end on
// one instant go off in an order that chance decides.
func TestASeedReplays(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))  // on one processor only is it promised; CI runs its seeds so
	defer debug.SetGCPercent(debug.SetGCPercent(-1)) // a collection that begins puts who runs to the end of the queue
	state := stateInMemory(t)
	var other []uint64
	for seed := *firstSeed; seed < *firstSeed+uint64(*replays); seed++ {
		runtime.GC()
		first, second := runKept(t, seed, state, 0, false, true, true), runKept(t, seed, state, 0, false, true, true)
		require.NotEmpty(t, first.trace)
		slices.Sort(first.trace)
		slices.Sort(second.trace)
		if !slices.Equal(first.trace, second.trace) {
			other = append(other, seed)
			t.Logf("seed %d:\n%s", seed, parts(first.trace, second.trace))
		}
	}
	t.Logf("%d of %d seeds ran another way", len(other), *replays)
	require.LessOrEqual(t, len(other), *replays/10, "seeds that ran another way: %v", other)
}

// token is the dialects' own resynchronising question with figures that the instant decides: those of the program are thrown afresh
// each time, and no seed would replay.
func (w *world) token(role string) func() (string, func([]byte) bool) {
	return func() (string, func([]byte) bool) {
		own := w.pace(role, int(time.Since(w.began)))
		a, b, c := 100+own.IntN(156), 100+own.IntN(156), 100+own.IntN(156)
		answer := fmt.Sprintf("%d;%d;%d", a, b, c)
		return fmt.Sprintf("*ESE %d;*ESE?;*ESE %d;*ESE?;*ESE %d;*ESE?", a, b, c), func(reply []byte) bool { return strings.TrimSpace(string(reply)) == answer }
	}
}

// inWords is an event with all that it points to.
func inWords(b event.Body) string {
	text, err := json.Marshal(b)
	if err != nil {
		return err.Error()
	}
	return string(text)
}

// parts is where two traces part.
func parts(a, b []string) string {
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return a[i] + "\n" + b[i]
		}
	}
	return "one is longer"
}
