// Package keeper is the second process that makes benches safe when the daemon cannot: when it was killed, hangs or has
// crashed.
//
// The daemon starts it before it opens a port. Each warden's own loop beats into a pipe; a pipe that closes without a farewell,
// or a beat that stays away, has the keeper end the daemon, by its process handle and never by name, and make the benches
// safe over links of its own. A lock on each bench orders daemon, keeper and make-safe.
package keeper

import (
	"errors"
	"fmt"
	"os"
	"time"
)

const (
	// Silence is how long a warden's beat may stay away.
	Silence = time.Second
	// Reach is what the keeper takes at most, from the end of the daemon to the safe state on the wire, where the
	// instruments answer: ending the process, its locks, opening the links. Measured on the simulated bench: 5 to 60 ms.
	Reach = 250 * time.Millisecond
)

// mostBenches is how many benches one pipe can carry: a byte is a bench's number, or that number and farewell.
const (
	mostBenches = 128
	farewell    = 0x80
)

// Case is why the keeper has to act, and on which of its benches.
type Case struct {
	Benches []int
	Hung    bool   // the daemon lives, and does not beat
	Why     string // "the daemon has ended without making its benches safe"
}

// pipe is the reading end of the daemon's pipe.
type pipe interface {
	Read([]byte) (int, error)
	SetReadDeadline(time.Time) error
}

// Watch reads the beats of so many benches until one stays away for longer than Silence or the pipe closes. A bench counts from
// its first beat on. It returns a case without benches when all have said farewell.
func Watch(p pipe, benches int) (Case, error) {
	last := make([]time.Time, benches) // zero before the first beat
	gone := make([]bool, benches)
	buf := make([]byte, 4096)
	late := false
	for {
		if err := p.SetReadDeadline(next(last, gone, late)); err != nil {
			return Case{}, fmt.Errorf("keeper: the daemon's pipe: %w", err)
		}
		n, err := p.Read(buf)
		now := time.Now()
		for _, b := range buf[:n] {
			i := int(b &^ farewell)
			if i >= benches {
				return Case{}, fmt.Errorf("keeper: the daemon beats for bench %d of %d", i+1, benches)
			}
			last[i], gone[i] = now, gone[i] || b&farewell != 0
		}
		switch {
		case err == nil:
			late = false
		case errors.Is(err, os.ErrDeadlineExceeded) && !late:
			late = true // look once more before anybody is ended: this process may have stood still itself
		case errors.Is(err, os.ErrDeadlineExceeded):
			return hung(last, gone, now), nil
		default:
			return left(gone), nil
		}
	}
}

// again is how long a beat that is late gets before it counts as staying away.
const again = 20 * time.Millisecond

// next is when the first beat is missed; the zero time is never.
func next(last []time.Time, gone []bool, late bool) time.Time {
	if late {
		return time.Now().Add(again)
	}
	var first time.Time
	for i, at := range last {
		if gone[i] || at.IsZero() {
			continue
		}
		if due := at.Add(Silence - again); first.IsZero() || due.Before(first) {
			first = due
		}
	}
	return first
}

func hung(last []time.Time, gone []bool, now time.Time) Case {
	c := Case{Hung: true, Why: fmt.Sprintf("no beat came from the daemon's warden for %v", Silence)}
	for i, at := range last {
		if !gone[i] && !at.IsZero() && now.Sub(at) >= Silence-2*again {
			c.Benches = left(gone).Benches // what ends the daemon ends all its benches
			break
		}
	}
	return c
}

func left(gone []bool) Case {
	c := Case{Why: "the daemon has ended without making its benches safe"}
	for i := range gone {
		if !gone[i] {
			c.Benches = append(c.Benches, i)
		}
	}
	return c
}
