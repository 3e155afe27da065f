package link

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

func TestHigherPriorityGoesFirstAndEqualsInOrder(t *testing.T) {
	inBubble(t, "all wait for one hung exchange", func(t *testing.T) {
		l, b := dial(t, onTCP, Options{ReplyWithin: time.Minute}, func(w *wire, line string) { w.say(time.Second, "A\n") })
		var group sync.WaitGroup
		ask := func(p Priority, message string) {
			group.Go(func() { l.Query(bg, p, message) })
			synctest.Wait()
		}
		ask(Script, "Qholds")
		ask(Script, "Qs1")
		ask(Warden, "Qw1")
		ask(Script, "Qs2")
		ask(MakeSafe, "Qm1")
		ask(Warden, "Qw2")
		group.Wait()
		require.Equal(t, "Qholds Qm1 Qw1 Qw2 Qs1 Qs2 ", strings.ReplaceAll(b.last().received(), "\n", " "))
	})
}

func TestWaitingForTheTurnEndsWithTheContext(t *testing.T) {
	inBubble(t, "and the others go on", func(t *testing.T) {
		l, b := dial(t, onTCP, Options{ReplyWithin: time.Minute}, func(w *wire, line string) { w.say(time.Second, "A\n") })
		first := inBackground(func() ([]byte, error) { return l.Query(bg, Script, "Q1") })
		synctest.Wait()
		ctx, cancel := context.WithTimeout(bg, 300*time.Millisecond)
		defer cancel()
		second := inBackground(func() ([]byte, error) { return l.Query(ctx, Script, "Q2") })
		third := inBackground(func() ([]byte, error) { return l.Query(bg, Script, "Q3") })
		start := time.Now()
		gaveUp := <-second
		require.ErrorIs(t, gaveUp.err, context.DeadlineExceeded)
		require.ErrorContains(t, gaveUp.err, "waiting for other exchanges")
		require.Equal(t, 300*time.Millisecond, gaveUp.at.Sub(start))
		require.NoError(t, (<-first).err)
		require.NoError(t, (<-third).err)
		require.NotContains(t, b.last().received(), "Q2")
	})
}

// Many callers that give up at the very instant the turn is handed to them: the
// turn is never lost, and never held twice.
func TestTurnIsNeitherLostNorDoubled(t *testing.T) {
	var shared turn
	var group sync.WaitGroup
	holders := 0
	never := make(chan struct{})
	for i := range 8 {
		group.Go(func() {
			for n := range 2000 {
				done := make(chan struct{})
				if n%3 == 0 {
					go close(done)
				}
				if shared.take(Priority(i%int(levels)), done, never) {
					holders++ // the race detector watches
					shared.give()
				}
			}
		})
	}
	group.Wait()
	require.Positive(t, holders)
	require.False(t, shared.held)
	for _, w := range shared.waiting {
		require.Empty(t, w)
	}
}

func TestLostConnectionIsReopenedWithGrowingPauses(t *testing.T) {
	inBubble(t, "until it comes back", func(t *testing.T) {
		var mu sync.Mutex
		var states []State
		var tries []time.Time
		b := &bench{device: echo, fail: func(n int) error {
			tries = append(tries, time.Now())
			if n > 1 && n < 12 {
				return errors.New("no route to host")
			}
			return nil
		}}
		l := dialBench(t, onTCP, Options{Resync: Resync{Token: tokens()}, OnState: func(s State) {
			mu.Lock()
			defer mu.Unlock()
			states = append(states, s)
		}}, b)
		require.True(t, l.State().Up)
		b.last().hangUp()
		lostAt := time.Now()
		_, err := l.Query(bg, Warden, "Q1")
		require.ErrorIs(t, err, ErrLost)
		require.Zero(t, time.Since(lostAt), "the end of the connection is seen at once")

		pass(20 * time.Second)
		_, err = l.Query(bg, Warden, "Q2")
		require.ErrorIs(t, err, ErrLost)
		require.ErrorContains(t, err, "since 20s")
		require.ErrorContains(t, err, "no route to host")
		require.False(t, l.State().Up)

		pass(30 * time.Second)
		answer, err := l.Query(bg, Warden, "Q3")
		require.NoError(t, err)
		require.Equal(t, "A3", string(answer))
		mu.Lock()
		defer mu.Unlock()
		b.mu.Lock()
		defer b.mu.Unlock()
		require.Len(t, states, 2)
		require.False(t, states[0].Up)
		require.ErrorIs(t, states[0].Err, ErrLost)
		require.Equal(t, lostAt, states[0].Since)
		require.True(t, states[1].Up)
		require.NoError(t, states[1].Err)
		for i := 3; i < len(tries); i++ {
			aside := tries[i].Sub(tries[i-1]) - min(firstPause<<(i-2), longestPause)
			require.GreaterOrEqual(t, aside, time.Duration(0), "try %d", i)
			require.Less(t, aside, time.Millisecond, "try %d", i)
		}
	})
}

func TestEndOfFileNeverSpins(t *testing.T) {
	inBubble(t, "one more read at most", func(t *testing.T) {
		b := &bench{device: func(w *wire, line string) { w.hangUp() }, fail: func(n int) error {
			if n > 1 {
				return errors.New("gone")
			}
			return nil
		}}
		l := dialBench(t, onTCP, Options{ReplyWithin: time.Hour}, b)
		w := b.last()
		for range 5 {
			_, err := l.Query(bg, Warden, "Q")
			require.ErrorIs(t, err, ErrLost)
			pass(time.Second)
		}
		require.LessOrEqual(t, w.reads, 2)
	})
}

func TestDisconnectInTheMiddleOfAnAnswer(t *testing.T) {
	for _, kind := range kinds {
		inBubble(t, kind.name, func(t *testing.T) {
			first := true
			l, _ := dial(t, kind.address, Options{Resync: kind.resync()}, func(w *wire, line string) {
				if line == "Q12.5" && first {
					first = false
					w.say(0, "A12")
					w.hangUp()
					return
				}
				echo(w, line)
			})
			_, err := l.Query(bg, Warden, "Q12.5")
			require.ErrorIs(t, err, ErrLost)
			pass(time.Second)
			answer, err := l.Query(bg, Warden, "Q12.5")
			require.NoError(t, err)
			require.Equal(t, "A12.5", string(answer))
		})
	}
}

func TestCloseEndsEverything(t *testing.T) {
	inBubble(t, "a hung exchange, a waiting one, and later ones", func(t *testing.T) {
		l, _ := dial(t, onTCP, Options{ReplyWithin: time.Hour}, nil)
		hung := inBackground(func() ([]byte, error) { return l.Query(bg, Script, "Q1") })
		synctest.Wait()
		waiting := inBackground(func() ([]byte, error) { return l.Query(bg, Script, "Q2") })
		synctest.Wait()
		start := time.Now()
		require.NoError(t, l.Close())
		require.ErrorIs(t, (<-hung).err, ErrClosed)
		require.ErrorIs(t, (<-waiting).err, ErrClosed)
		_, err := l.Query(bg, Script, "Q3")
		require.ErrorIs(t, err, ErrClosed)
		require.ErrorIs(t, l.Urgent("OUTP OFF"), ErrClosed)
		require.Zero(t, time.Since(start))
		require.False(t, l.State().Up)
		require.NoError(t, l.Close(), "a second time does no harm")
	})
}

func TestFenceProvesOnlyWhatAnAnswerFollowed(t *testing.T) {
	const acts = 3 * time.Second
	start := func(t *testing.T, device func(*wire, string)) (*Link, *bench) {
		return dial(t, onTCP, Options{ReplyWithin: time.Second, TakesEffectWithin: acts, Resync: Resync{Token: tokens()}}, device)
	}
	inBubble(t, "nothing sent, nothing unanswered", func(t *testing.T) {
		l, _ := start(t, echo)
		require.False(t, l.Unanswered())
	})
	inBubble(t, "a message is unanswered until the fence", func(t *testing.T) {
		l, b := start(t, echo)
		require.NoError(t, l.Send(bg, Script, "OUTP ON"))
		require.True(t, l.Unanswered())
		require.NoError(t, l.Fence(bg))
		require.False(t, l.Unanswered())
		require.Regexp(t, `^OUTP ON\nTOKEN T\d+\n$`, b.last().received())
	})
	inBubble(t, "an answer to a later question will do", func(t *testing.T) {
		l, _ := start(t, echo)
		require.NoError(t, l.Send(bg, Script, "OUTP ON"))
		_, err := l.Query(bg, Warden, "Q1")
		require.NoError(t, err)
		require.False(t, l.Unanswered())
	})
	inBubble(t, "a deaf instrument proves nothing", func(t *testing.T) {
		l, _ := start(t, nil)
		require.NoError(t, l.Send(bg, Script, "OUTP ON"))
		err := l.Fence(bg)
		require.ErrorIs(t, err, ErrUnproven)
		require.ErrorIs(t, err, ErrTimeout)
		require.True(t, l.Unanswered())
	})
	inBubble(t, "an answer on a new connection proves nothing for the old one", func(t *testing.T) {
		l, b := start(t, echo)
		require.NoError(t, l.Send(bg, Script, "OUTP ON"))
		l.Drop()
		pass(time.Second)
		require.Equal(t, 2, b.openings(), "reconnected")
		require.True(t, l.Unanswered())
		require.ErrorIs(t, l.Fence(bg), ErrUnproven)
		pass(acts)
		require.NoError(t, l.Fence(bg), "by now it must have acted")
		require.False(t, l.Unanswered())
	})
	inBubble(t, "without a token there is no fence", func(t *testing.T) {
		l, _ := dial(t, onSerial, Options{}, echo)
		require.ErrorIs(t, l.Fence(bg), ErrUnproven)
	})
}

func TestDropEndsTheExchangeUnderWay(t *testing.T) {
	inBubble(t, "at once", func(t *testing.T) {
		l, b := dial(t, onTCP, Options{ReplyWithin: time.Hour}, nil)
		hung := inBackground(func() ([]byte, error) { return l.Query(bg, Script, "Q1") })
		synctest.Wait()
		start := time.Now()
		l.Drop()
		got := <-hung
		require.ErrorIs(t, got.err, ErrLost)
		require.Equal(t, start, got.at)
		synctest.Wait()
		require.Equal(t, 2, b.openings(), "it reconnects without a pause")
		require.True(t, l.State().Up)
	})
}

func TestShortDeadlinesDoNotKeepALinkOutOfStepForEver(t *testing.T) {
	inBubble(t, "silence is waited for across calls", func(t *testing.T) {
		l, _ := dial(t, onSerial, Options{ReplyWithin: time.Second, Resync: Resync{Quiet: time.Second}}, echo)
		for n := 1; ; n++ {
			ctx, cancel := context.WithTimeout(bg, 200*time.Millisecond)
			answer, err := l.Query(ctx, Warden, "Q1")
			cancel()
			if err == nil {
				require.Equal(t, "A1", string(answer))
				break
			}
			require.Less(t, n, 8, "still: %v", err)
			pass(50 * time.Millisecond)
		}
	})
}

func TestDialTellsWhatIsWrong(t *testing.T) {
	for name, tt := range map[string]struct{ address, want string }{
		"no such scheme":   {"gpib://7", "tcp:// or serial://"},
		"nobody listens":   {"tcp://127.0.0.1:1", "cannot connect"},
		"no such device":   {"serial:///dev/serial/by-id/usb-none", "is the adapter plugged in"},
		"not a terminal":   {"serial:///dev/null", "is not a serial port"},
		"misspelt setting": {"serial:///dev/ttyS0?bauds=9600", `unknown setting "bauds"`},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Dial(bg, tt.address, Options{Name: "control", LockDir: t.TempDir()})
			require.ErrorContains(t, err, tt.want)
			require.ErrorContains(t, err, "control")
			require.ErrorContains(t, err, strings.Split(tt.address, "?")[0], "names the address")
		})
	}
}
