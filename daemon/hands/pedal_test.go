package hands

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/event"
)

// foot is a pedal under somebody's foot.
type foot struct {
	down, broken, silent atomic.Bool
	released             chan error
}

const look = 100 * time.Millisecond

// watched has the desk watch the pedal; the function it returns ends that.
func (f *foot) watched(c *counter, hold bool) (end func()) {
	f.released = make(chan error, 10)
	p := Pedal{Name: "pedal", Period: look, Within: 3 * look, Pressed: func(ctx context.Context) (bool, error) {
		if f.silent.Load() {
			<-ctx.Done() // the box would answer in an hour
			return true, context.Cause(ctx)
		}
		if f.broken.Load() {
			return false, errors.New("contacts: no answer")
		}
		return f.down.Load(), nil
	}}
	if hold {
		p.Released = func(why error) { c.Withdraw(); f.released <- why }
	}
	ctx, stop := context.WithCancel(c.t.Context())
	ended := c.begins(func() error { return c.Watch(ctx, p) })
	return func() { stop(); require.NoError(c.t, <-ended) }
}

func (f *foot) presses(c *counter, down bool) { f.down.Store(down); c.pass(2 * look) }

func TestAPressIsTheActAndARestingFootIsNone(t *testing.T) {
	inBubble(t, func(c *counter) {
		var f foot
		f.down.Store(true) // before anybody asked
		defer f.watched(c, false)()
		act := c.acts(bus72)
		c.pass(time.Second)
		require.Len(t, c.Open(), 1, "a foot that rests on the pedal allows nothing")
		f.presses(c, false)
		f.presses(c, true)
		require.Empty(t, c.Open())
		require.Contains(t, c.told, event.Energising{Outputs: []string{"bus", "control"}, Highest: 72, Longest: 120, By: "pedal at the bench"})
		f.presses(c, false) // a press is enough here
		c.pass(countdown)
		require.NoError(t, <-act)
		require.NoError(t, c.Allow("bus", 72))
	})
}

func TestOnePressAnswersOnePrompt(t *testing.T) {
	inBubble(t, func(c *counter) {
		var f foot
		defer f.watched(c, false)()
		c.mu.Lock()
		c.Desk.handsIn = true // nobody has said that hands are clear
		c.mu.Unlock()
		act := c.acts(bus72)
		require.Equal(t, Clear, c.Open()[0].Action)
		c.pass(2 * look)
		f.presses(c, true)
		require.Equal(t, Energise, c.Open()[0].Action, "the same press does not energise")
		c.pass(time.Second)
		require.Len(t, c.Open(), 1)
		f.presses(c, false)
		f.presses(c, true)
		c.pass(countdown)
		require.NoError(t, <-act)
	})
}

func TestAPedalThatHasToBeHeld(t *testing.T) {
	tests := []struct {
		name  string
		when  time.Duration // after the press
		spoil func(*foot)
		want  string // empty: nobody is told
	}{
		{"held all along", countdown + time.Second, func(*foot) {}, ""},
		{"let go during the countdown", time.Second, func(f *foot) { f.down.Store(false) }, "pedal was let go"},
		{"let go in the run", countdown + time.Second, func(f *foot) { f.down.Store(false) }, "pedal was let go"},
		{"unreadable in the run", countdown + time.Second, func(f *foot) { f.broken.Store(true) }, "pedal can no longer be read: contacts: no answer"},
		{"answered late in the run", countdown + time.Second, func(f *foot) { f.silent.Store(true) }, "pedal can no longer be read: context deadline exceeded"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			inBubble(t, func(c *counter) {
				var f foot
				defer f.watched(c, true)()
				act := c.acts(bus72)
				c.pass(2 * look)
				f.presses(c, true)
				c.pass(tt.when)
				tt.spoil(&f)
				c.pass(4 * look)
				if tt.want == "" {
					require.NoError(t, <-act)
					require.NoError(t, c.Allow("bus", 72))
					require.Empty(t, f.released)
					c.Withdraw()
					f.presses(c, false) // what is over needs no foot
					require.Empty(t, f.released)
				} else {
					require.EqualError(t, <-f.released, tt.want)
					require.ErrorIs(t, c.Allow("bus", 1), ErrNoAct)
					<-act
				}
			})
		})
	}
}
