package station

import (
	"context"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"benchwarden/daemon/bench"
)

const (
	letsGo  harm = "the pedal is let go too soon"
	bounces harm = "the pedal's contact bounces"
	cut     harm = "the pedal's lead is cut"
	rests   harm = "a foot rests on the pedal all the time"
)

// bounceFor is how long a worn contact bounces, each time for bounce; longer than a good one does, so that polls meet it.
const (
	bounceFor = 200 * time.Millisecond
	bounce    = 3*time.Millisecond + 41*time.Microsecond
)

// pedal is how a bench with one is energised.
type pedal struct {
	kind  string // press, or bench.HoldToRun; empty: the act is typed
	down  bool
	moved time.Time
	letGo time.Time // since when it reads released while an energising stands that needs it held
}

// drawsPedal gives every other bench a pedal, with dice of its own so that the rest of a seed is what it was.
func drawsPedal(seed uint64) (kind string, worn *trouble) {
	dice := rand.New(rand.NewPCG(seed, 3))
	kind = []string{"", "", "press", bench.HoldToRun}[dice.IntN(4)]
	if kind == "" || dice.IntN(3) == 0 {
		return kind, nil
	}
	worn = &trouble{harm: []harm{letsGo, bounces, cut, rests}[dice.IntN(4)], role: "pedal", times: 1 << 20, odd: dice.Float64()}
	if worn.harm == cut {
		worn.at = time.Duration(dice.Int64N(int64(6 * time.Second)))
	}
	return kind, worn
}

// withPedal is a bench file's text with a pedal in it.
func withPedal(text, kind string) string {
	return strings.NewReplacer("act: {by: console}", "act: {by: pedal, contact: pedal, pedal: "+kind+"}",
		"contacts: {enable:", "contacts: {pedal: {channel: 9, input: true}, enable:").Replace(text)
}

// pedalReads is what the pedal's input shows; it needs the world's lock.
func (w *world) pedalReads() bool {
	if w.acts("pedal", cut) != nil {
		return false
	}
	since := time.Since(w.pedal.moved)
	if w.acts("pedal", bounces) != nil && since < bounceFor && since/bounce%2 == 1 {
		return !w.pedal.down
	}
	return w.pedal.down
}

func (s *sim) tread(down bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.pedal.down, s.pedal.moved = down, time.Now()
	s.tells("     pedal down: %t", down)
}

// treads is the act by pedal, and its end.
func (s *sim) treads(ctx context.Context) {
	if s.has("pedal", rests) {
		return // it has been down all along
	}
	s.tread(true)
	if !s.has("person", tooLate) {
		s.permit()
	}
	holds := 3*s.period + 103*time.Millisecond // long enough to be seen
	over := ctx.Done()
	if s.pedal.kind == bench.HoldToRun {
		holds, over = time.Hour, s.over
	}
	if s.has("pedal", letsGo) {
		holds = time.Duration(s.troubles[len(s.troubles)-1].odd * float64(6*time.Second))
	}
	select {
	case <-time.After(holds):
	case <-over:
	case <-ctx.Done():
	}
	s.tread(false)
}

// watchPedal holds the bench to what it owes to a pedal that has to be held; it needs the world's lock.
func (s *sim) watchPedal() {
	if s.pedal.kind != bench.HoldToRun || !s.permitted || s.pedalReads() {
		s.pedal.letGo = time.Time{}
		return
	}
	if s.pedal.letGo.IsZero() {
		s.pedal.letGo = time.Now()
	}
	seen := 2*s.period + 100*time.Millisecond + s.slack() // two looks, the first of which may be under way
	if slices.ContainsFunc(s.troubles, func(t *trouble) bool { return t.role == bench.Contacts }) {
		seen += 2 * agePeriods * s.period // a box that answers late, or not, is noticed by that
	}
	if time.Since(s.pedal.letGo) > seen {
		s.permitted, s.barred, s.why = false, time.Now(), "the pedal was let go"
		s.stopped = s.barred // and what a stop owes follows
	}
}
