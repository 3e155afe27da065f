package link

import (
	"context"
	"fmt"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// outcome is what an exchange in the background came to.
type outcome struct {
	answer string
	err    error
	at     time.Time
}

func inBackground(f func() ([]byte, error)) <-chan outcome {
	result := make(chan outcome, 1)
	go func() {
		answer, err := f()
		result <- outcome{string(answer), err, time.Now()}
	}()
	return result
}

func TestUrgentDuringAHungQueryGoesOutAtOnce(t *testing.T) {
	for _, kind := range kinds {
		inBubble(t, kind.name, func(t *testing.T) {
			l, b := dial(t, kind.address, Options{ReplyWithin: time.Hour, Resync: kind.resync()}, func(w *wire, line string) {
				if line == "Qhung" {
					w.say(700*time.Millisecond, "Ahung\n")
					return
				}
				echo(w, line)
			})
			_, err := l.Query(bg, Script, "Q0")
			require.NoError(t, err)
			first := b.last()
			hung := inBackground(func() ([]byte, error) { return l.Query(bg, Script, "Qhung") })
			pass(100 * time.Millisecond)

			now := time.Now()
			require.NoError(t, l.Urgent("OUTP OFF", "OUTP OFF"))
			require.Equal(t, now, time.Now(), "waited for nothing")
			require.Contains(t, first.received(), "Qhung\nOUTP OFF\nOUTP OFF\n")
			cut := <-hung
			require.ErrorIs(t, cut.err, ErrCut)
			require.Equal(t, now, cut.at, "the hung query ends at once")
			require.True(t, l.Unanswered())

			answer, err := l.Query(Patient(bg, time.Second), MakeSafe, "Qnext")
			require.NoError(t, err)
			require.Equal(t, "Anext", string(answer))
		})
	}
}

func TestUrgentWaitsForBytesBeingWrittenAndNoLonger(t *testing.T) {
	const message = "VOLT 12.5"
	for taken := 0; taken <= len(message); taken++ {
		inBubble(t, fmt.Sprintf("the instrument holds the line after %d bytes", taken), func(t *testing.T) {
			l, b := dial(t, onSerial, Options{ReplyWithin: time.Hour}, nil)
			w := b.last()
			w.room = taken
			sent := inBackground(func() ([]byte, error) { return nil, l.Send(bg, Script, message) })
			synctest.Wait()
			start := time.Now()
			go func() {
				<-sent
				w.resume()
			}()
			require.NoError(t, l.Urgent("OUTP OFF"))
			require.LessOrEqual(t, time.Since(start), 2*grace)
			want := message[:taken] + "\nOUTP OFF\n"
			if taken == 0 {
				want = "OUTP OFF\n"
			}
			require.Equal(t, want, w.received())
		})
	}
	inBubble(t, "bytes that get on are not cut off", func(t *testing.T) {
		l, b := dial(t, onSerial, Options{ReplyWithin: time.Hour}, nil)
		w := b.last()
		w.room = 3
		sent := inBackground(func() ([]byte, error) { return nil, l.Send(bg, Script, message) })
		synctest.Wait()
		time.AfterFunc(grace/2, w.resume)
		require.NoError(t, l.Urgent("OUTP OFF"))
		require.NoError(t, (<-sent).err)
		require.Equal(t, message+"\nOUTP OFF\n", w.received())
	})
	inBubble(t, "a line held for ever is an error, soon", func(t *testing.T) {
		l, b := dial(t, onSerial, Options{ReplyWithin: time.Hour}, nil)
		b.last().room = 3
		sent := inBackground(func() ([]byte, error) { return nil, l.Send(bg, Script, message) })
		synctest.Wait()
		start := time.Now()
		err := l.Urgent("OUTP OFF")
		require.ErrorIs(t, err, ErrTimeout)
		require.ErrorContains(t, err, "only 0 of 10 bytes could be sent")
		require.Less(t, time.Since(start), 2*urgentWithin)
		require.ErrorIs(t, (<-sent).err, ErrCut)
	})
	inBubble(t, "between paced characters", func(t *testing.T) {
		l, b := dial(t, onTCP, Options{ReplyWithin: time.Hour, CharacterGap: 10 * time.Millisecond}, nil)
		sent := inBackground(func() ([]byte, error) { return nil, l.Send(bg, Script, message) })
		pass(25 * time.Millisecond)
		require.NoError(t, l.Urgent("OUTP OFF"))
		require.ErrorIs(t, (<-sent).err, ErrCut)
		require.Equal(t, "VOL\nOUTP OFF\n", b.last().received())
	})
}

func TestNothingThatAScriptWantedBeforeFollowsAnUrgentWrite(t *testing.T) {
	inBubble(t, "it waited for its turn", func(t *testing.T) {
		l, b := dial(t, onTCP, Options{ReplyWithin: time.Hour, Resync: Resync{Token: tokens()}}, func(w *wire, line string) {
			if line != "Qhung" {
				echo(w, line)
			}
		})
		hung := inBackground(func() ([]byte, error) { return l.Query(bg, Script, "Qhung") })
		synctest.Wait()
		on := inBackground(func() ([]byte, error) { return nil, l.Send(bg, Script, "OUTP ON") })
		poll := inBackground(func() ([]byte, error) { return l.Query(bg, Warden, "Qpoll") })
		synctest.Wait()
		require.NoError(t, l.Urgent("OUTP OFF"))
		require.ErrorIs(t, (<-hung).err, ErrCut)
		require.ErrorIs(t, (<-on).err, ErrCut)
		polled := <-poll
		require.NoError(t, polled.err, "the warden's own question still goes out")
		require.Equal(t, "Apoll", polled.answer)
		require.NotContains(t, b.last().received(), "OUTP ON")
	})
	inBubble(t, "it waited for the gap", func(t *testing.T) {
		l, b := dial(t, onTCP, Options{Gap: time.Second}, nil)
		require.NoError(t, l.Send(bg, Script, "VOLT 1"))
		on := inBackground(func() ([]byte, error) { return nil, l.Send(bg, Script, "OUTP ON") })
		synctest.Wait()
		start := time.Now()
		require.NoError(t, l.Urgent("OUTP OFF"))
		require.ErrorIs(t, (<-on).err, ErrCut)
		require.Equal(t, "VOLT 1\nOUTP OFF\n", b.last().received())
		require.Equal(t, time.Second, time.Since(start), "the instrument needs its gap for this message too")
	})
}

func TestUrgentWithoutAConnectionFailsAtOnceAndHurriesTheReconnection(t *testing.T) {
	inBubble(t, "the instrument is off for a while", func(t *testing.T) {
		var off atomic.Bool
		off.Store(true)
		b := &bench{device: echo}
		b.fail = func(n int) error {
			if n > 1 && off.Load() {
				return context.DeadlineExceeded
			}
			return nil
		}
		l := dialBench(t, onTCP, Options{}, b)
		b.last().hangUp()
		_, err := l.Query(bg, Warden, "Q")
		require.ErrorIs(t, err, ErrLost)
		pass(time.Minute)
		off.Store(false)
		start := time.Now()
		require.ErrorIs(t, l.Urgent("OUTP OFF"), ErrLost)
		synctest.Wait()
		require.NoError(t, l.Urgent("OUTP OFF"))
		require.Zero(t, time.Since(start))
	})
}

// Urgent at any instant of an exchange: it succeeds at once, and whatever the
// exchange returns, the next answers are right.
func TestUrgentAtAnyInstant(t *testing.T) {
	for _, kind := range kinds {
		for at := time.Duration(0); at < 4*time.Second; at += 97 * time.Millisecond {
			inBubble(t, fmt.Sprintf("%s, at %v", kind.name, at), func(t *testing.T) {
				n := 0
				l, b := dial(t, kind.address, Options{ReplyWithin: 500 * time.Millisecond, Resync: kind.resync()}, func(w *wire, line string) {
					if reply, ok := answerTo(line); ok {
						n++
						w.say(time.Duration(n*n*7919%900)*time.Millisecond, reply+"\n")
					}
				})
				asked := inBackground(func() ([]byte, error) {
					for i := range 8 {
						answer, err := l.Query(bg, Warden, fmt.Sprint("Q", i))
						if err == nil && string(answer) != fmt.Sprint("A", i) {
							return answer, fmt.Errorf("asked Q%d, got %q", i, answer)
						}
					}
					return nil, nil
				})
				pass(at)
				start := time.Now()
				err := l.Urgent("OUTP OFF")
				if err != nil {
					require.ErrorIs(t, err, ErrLost)
					pass(time.Second)
					require.NoError(t, l.Urgent("OUTP OFF"))
				} else {
					require.Zero(t, time.Since(start))
				}
				require.NoError(t, (<-asked).err)
				require.Contains(t, "\n"+b.received(), "\nOUTP OFF\n")
			})
		}
	}
}

func TestPromptSaysWhetherAnUrgentWriteWouldWait(t *testing.T) {
	inBubble(t, "an open line that nobody uses", func(t *testing.T) {
		l, b := dial(t, onTCP, Options{ReplyWithin: time.Hour}, nil)
		require.True(t, l.Prompt())
		b.last().held = 7
		require.False(t, l.Prompt(), "bytes that have not left would be waited for")
		b.last().held = 0
		require.NoError(t, l.Close())
		require.False(t, l.Prompt(), "there is no port")
	})
	inBubble(t, "while somebody writes", func(t *testing.T) {
		l, b := dial(t, onSerial, Options{ReplyWithin: time.Hour}, nil)
		b.last().room = 3
		sent := inBackground(func() ([]byte, error) { return nil, l.Send(bg, Script, "VOLT 12.5") })
		synctest.Wait()
		require.False(t, l.Prompt())
		b.last().resume()
		require.NoError(t, (<-sent).err)
		require.True(t, l.Prompt())
	})
	inBubble(t, "an instrument that needs gaps", func(t *testing.T) {
		l, _ := dial(t, onTCP, Options{ReplyWithin: time.Hour, Gap: time.Millisecond}, nil)
		require.False(t, l.Prompt())
	})
}
