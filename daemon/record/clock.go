package record

import (
	"fmt"
	"time"

	"benchwarden/daemon/event"
)

// leastStep is how far the computer's clock has to be set for it to be told. Slow corrections move both of its clocks alike.
const leastStep = 100 * time.Millisecond

// clock gives a run's events one scale of time: the computer's clock as it stood when the run began, carried on by the clock that
// nobody sets. Events stay in order and durations true when the computer's clock is set meanwhile.
type clock struct {
	began time.Time                    // the run's first event
	wall  func(at time.Time) time.Time // what the computer's clock showed at an instant; nil: what the instant itself says
	ahead time.Duration                // of the run's scale, as it was told last
}

// shown is what the computer's clock showed.
func (c *clock) shown(at time.Time) time.Time {
	if c.wall != nil {
		return c.wall(at)
	}
	return at.Round(0)
}

// on is the run's time at an instant; no time stays none.
func (c *clock) on(at time.Time) time.Time {
	if at.IsZero() {
		return at
	}
	return c.began.Round(0).Add(at.Sub(c.began))
}

// kept is an event with the run's times. note says that the computer's clock was set since the event before; else it is nil.
func (c *clock) kept(e event.Event) (kept event.Event, note *event.Event) {
	if c.began.IsZero() {
		c.began = e.At
	}
	at := c.on(e.At)
	if ahead := c.shown(e.At).Sub(at); (ahead - c.ahead).Abs() >= leastStep {
		note = &event.Event{At: at, Bench: e.Bench, Run: e.Run, Body: event.Note{Text: c.told(ahead, at)}}
		c.ahead = ahead
	}
	e.At = at
	if r, ok := e.Body.(event.Reading); ok {
		r.Asked, r.Arrived = c.on(r.Asked), c.on(r.Arrived)
		e.Body = r
	}
	return e, note
}

func (c *clock) told(ahead time.Duration, at time.Time) string {
	by, how := ahead-c.ahead, "forward, or it slept,"
	if by < 0 {
		by, how = -by, "back"
	}
	return fmt.Sprintf("the computer's clock was set %s by %v and shows %s UTC. The times of this run go on as they began (%s): order and durations stay true",
		how, by.Round(time.Millisecond), at.Add(ahead).UTC().Format(time.DateTime), at.UTC().Format(time.DateTime))
}
