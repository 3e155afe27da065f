package link

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

var bg = context.Background()

// tokens makes another token each time.
func tokens() func() (string, func([]byte) bool) {
	var n atomic.Int64
	return func() (string, func([]byte) bool) {
		token := "T" + strconv.FormatInt(n.Add(1), 10)
		return "TOKEN " + token, func(reply []byte) bool { return string(reply) == token }
	}
}

// kinds are the ways to get into step.
var kinds = []struct {
	name, address string
	resync        func() Resync
}{
	{"TCP with a token", onTCP, func() Resync { return Resync{Token: tokens()} }},
	{"TCP with silence and reopening", onTCP, func() Resync { return Resync{Quiet: 300 * time.Millisecond} }},
	{"serial with a token", onSerial, func() Resync { return Resync{Token: tokens()} }},
	{"serial with silence", onSerial, func() Resync { return Resync{Quiet: 1100 * time.Millisecond} }},
}

func inBubble(t *testing.T, name string, f func(t *testing.T)) {
	t.Run(name, func(t *testing.T) { synctest.Test(t, f) })
}

func TestLateAnswerIsNeverTakenForANewerQuestion(t *testing.T) {
	const within = 500 * time.Millisecond
	for _, kind := range kinds {
		for late := within - 3*time.Millisecond; late < 3*within; late += 37 * time.Millisecond {
			inBubble(t, fmt.Sprintf("%s, %v late", kind.name, late), func(t *testing.T) {
				l, _ := dial(t, kind.address, Options{ReplyWithin: within, Resync: kind.resync()}, func(w *wire, line string) {
					if line == "Qslow" {
						w.say(late, "Aslow\n")
						return
					}
					echo(w, line)
				})
				answer, err := l.Query(bg, Script, "Qslow")
				if late < within {
					require.NoError(t, err)
					require.Equal(t, "Aslow", string(answer))
				} else {
					require.ErrorIs(t, err, ErrTimeout)
				}
				right := 0
				for i := range 5 {
					answer, err := l.Query(bg, Script, fmt.Sprint("Q", i))
					if err == nil {
						require.Equal(t, fmt.Sprint("A", i), string(answer))
						right++
					}
					pass(100 * time.Millisecond)
				}
				require.GreaterOrEqual(t, right, 3, "soon in step again")
			})
		}
	}
}

// A device that answers late, twice, cut short, with garbage, not at all, or
// hangs up: whatever an exchange returns, it is never another question's answer,
// and once the device behaves the link works again.
func TestNoFaultOfTheDeviceMixesAnswersUp(t *testing.T) {
	for _, kind := range kinds {
		for seed := range uint64(60) {
			inBubble(t, fmt.Sprintf("%s, seed %d", kind.name, seed), func(t *testing.T) {
				rng := rand.New(rand.NewPCG(seed, 7))
				good := false
				l, _ := dial(t, kind.address, Options{ReplyWithin: 503 * time.Millisecond, Resync: kind.resync()}, func(w *wire, line string) {
					if reply, ok := answerTo(line); ok && !good {
						misbehave(rng, w, reply)
						return
					}
					echo(w, line)
				})
				answered := 0
				for i := range 30 {
					question := fmt.Sprintf("Q%05d", i)
					answer, err := l.Query(bg, Script, question)
					if err == nil {
						if !strings.HasSuffix(string(answer), strings.Replace(question, "Q", "A", 1)) {
							require.NotContains(t, string(answer), "A0", "asked %s", question)
							require.NotContains(t, string(answer), "T", "asked %s", question)
						}
						answered++
					}
					pass(time.Duration(rng.IntN(20)) * 1001 * time.Microsecond)
				}
				require.Positive(t, answered)
				good = true
				// Reconnecting and what is still on its way may cost a few tries.
				var answer []byte
				for range 10 {
					var err error
					if answer, err = l.Query(bg, Script, "Qend"); err == nil {
						break
					}
					pass(100 * time.Millisecond)
				}
				require.Equal(t, "Aend", string(answer))
			})
		}
	}
}

func misbehave(rng *rand.Rand, w *wire, reply string) {
	switch rng.IntN(12) {
	case 0:
		w.say(time.Duration(rng.IntN(1000))*time.Millisecond+77*time.Microsecond, reply+"\n")
	case 1:
		w.say(0, reply+"\n"+reply+"\n")
	case 2:
		w.say(0, reply[:len(reply)/2])
	case 3:
		w.say(0, "\x00\xfe~~\x81"+reply+"\n")
	case 4:
	case 5:
		w.say(0, reply[:1])
		w.hangUp()
	case 6:
		w.say(0, "\r\n"+reply+"\r\n\n")
	default:
		w.say(0, reply+"\n")
	}
}

func TestAnswerThatCameTwice(t *testing.T) {
	inBubble(t, "both at once: neither is used", func(t *testing.T) {
		l, _ := dial(t, onTCP, Options{Resync: Resync{Token: tokens()}}, func(w *wire, line string) {
			if line == "Q1" {
				w.say(0, "A1\nA1\n")
				return
			}
			echo(w, line)
		})
		_, err := l.Query(bg, Script, "Q1")
		require.ErrorIs(t, err, ErrDoubtful)
		require.ErrorContains(t, err, `"A1\nA1\n"`)
		answer, err := l.Query(bg, Script, "Q2")
		require.NoError(t, err)
		require.Equal(t, "A2", string(answer))
	})
	inBubble(t, "the second before the next question: it is thrown away", func(t *testing.T) {
		l, _ := dial(t, onTCP, Options{Resync: Resync{Token: tokens()}}, func(w *wire, line string) {
			if line == "Q1" {
				w.say(0, "A1\n")
				w.say(10*time.Millisecond, "A1\n")
				return
			}
			echo(w, line)
		})
		_, err := l.Query(bg, Script, "Q1")
		require.NoError(t, err)
		pass(20 * time.Millisecond)
		answer, err := l.Query(bg, Script, "Q2")
		require.NoError(t, err)
		require.Equal(t, "A2", string(answer))
	})
	inBubble(t, "a line feed behind a carriage return is no answer", func(t *testing.T) {
		l, b := dial(t, onSerial+"&eol=lf", Options{Framer: lines{eol: []byte("\r")}, Resync: Resync{Quiet: time.Second}}, func(w *wire, line string) {
			w.say(0, "A\r")
			w.say(5*time.Millisecond, "\n")
		})
		_, err := l.Query(bg, Script, "Q")
		require.NoError(t, err)
		pass(10 * time.Millisecond)
		start := time.Now()
		answer, err := l.Query(bg, Script, "Q")
		require.NoError(t, err)
		require.Equal(t, "A", string(answer))
		require.Zero(t, time.Since(start), "no re-sync was needed")
		require.Equal(t, 1, b.openings())
	})
}

func TestFloodBeforeTheTokenIsPassedOver(t *testing.T) {
	inBubble(t, "whatever it holds", func(t *testing.T) {
		l, _ := dial(t, onSerial, Options{ReplyWithin: time.Second, Resync: Resync{Token: tokens()}}, func(w *wire, line string) {
			if strings.HasPrefix(line, "TOKEN") {
				w.say(0, strings.Repeat("#9999999999A0\r\nT9", 2000)+"\n")
			}
			echo(w, line)
		})
		answer, err := l.Query(bg, Script, "Q1")
		require.NoError(t, err)
		require.Equal(t, "A1", string(answer))
	})
}

func TestCancelledQueryEndsAtOnceAndTheNextIsRight(t *testing.T) {
	for _, kind := range kinds {
		inBubble(t, kind.name, func(t *testing.T) {
			l, _ := dial(t, kind.address, Options{Resync: kind.resync()}, func(w *wire, line string) {
				if line == "Qslow" {
					w.say(120*time.Millisecond, "Aslow\n")
					return
				}
				echo(w, line)
			})
			_, err := l.Query(bg, Script, "Q0")
			require.NoError(t, err)
			why := errors.New("a person stopped the run")
			ctx, cancel := context.WithCancelCause(bg)
			time.AfterFunc(100*time.Millisecond, func() { cancel(why) })
			start := time.Now()
			_, err = l.Query(ctx, Script, "Qslow")
			require.ErrorIs(t, err, why)
			require.NotErrorIs(t, err, ErrTimeout)
			require.Equal(t, 100*time.Millisecond, time.Since(start))

			answer, err := l.Query(bg, Script, "Q1")
			require.NoError(t, err)
			require.Equal(t, "A1", string(answer))
		})
	}
}

func TestCancellationThatComesTooLateTouchesNoLaterExchange(t *testing.T) {
	inBubble(t, "the next question is under way", func(t *testing.T) {
		l, _ := dial(t, onTCP, Options{}, func(w *wire, line string) { w.say(100*time.Millisecond, "A"+line[1:]+"\n") })
		_, err := l.Query(bg, Script, "Q1")
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(bg)
		_, err = l.Query(ctx, Script, "Q1")
		require.NoError(t, err)
		asked := inBackground(func() ([]byte, error) { return l.Query(bg, Script, "Q2") })
		synctest.Wait()
		cancel()
		got := <-asked
		require.NoError(t, got.err)
		require.Equal(t, "A2", got.answer)
	})
}

func TestOneDeadlinePerExchange(t *testing.T) {
	silent := func(*wire, string) {}
	tests := []struct {
		name   string
		ctx    func() (context.Context, context.CancelFunc)
		within time.Duration
		want   time.Duration
	}{
		{"ReplyWithin", func() (context.Context, context.CancelFunc) { return bg, func() {} }, time.Second, time.Second},
		{"a context's deadline shortens it", func() (context.Context, context.CancelFunc) { return context.WithTimeout(bg, 200*time.Millisecond) }, time.Second, 200 * time.Millisecond},
		{"a run's long deadline does not lengthen it", func() (context.Context, context.CancelFunc) { return context.WithTimeout(bg, time.Hour) }, time.Second, time.Second},
		{"Patient does", func() (context.Context, context.CancelFunc) { return Patient(bg, 7*time.Second), func() {} }, time.Second, 7 * time.Second},
	}
	for _, tt := range tests {
		inBubble(t, tt.name, func(t *testing.T) {
			l, _ := dial(t, onTCP, Options{ReplyWithin: tt.within}, silent)
			ctx, cancel := tt.ctx()
			defer cancel()
			start := time.Now()
			_, err := l.Query(ctx, Warden, "Q")
			require.ErrorIs(t, err, ErrTimeout)
			require.Equal(t, tt.want, time.Since(start))
		})
	}
}

func TestTimeOutTellsWhatArrivedAndWhatItUsuallyMeans(t *testing.T) {
	tests := []struct {
		name, said string
		framer     Framer
		want       []string
	}{
		{"nothing", "", nil, []string{"nothing arrived", "no power", "cable", "baud rate"}},
		{"text without terminator", "12.003 V\r", nil, []string{"9 bytes arrived", `"12.003 V\r"`, `ended by "\n"`, "wrong eol setting"}},
		{"unreadable", "\x80\xf8\x00\x7f\x9e", nil, []string{`"\x80\xf8\x00\x7f\x9e"`, "wrong baud rate or parity"}},
		{"a block cut short", "!" + strings.Repeat("b", 100), fixed(500), []string{"101 bytes arrived", "399 more bytes of a block"}},
	}
	for _, tt := range tests {
		inBubble(t, tt.name, func(t *testing.T) {
			l, _ := dial(t, onTCP, Options{ReplyWithin: 250 * time.Millisecond, Framer: tt.framer}, func(w *wire, _ string) { w.say(0, tt.said) })
			_, err := l.Query(bg, Warden, "MEAS:VOLT?")
			require.ErrorIs(t, err, ErrTimeout)
			for _, want := range append(tt.want, "bus (tcp://192.0.2.7:5025)", `"MEAS:VOLT?"`, "250ms") {
				require.ErrorContains(t, err, want)
			}
		})
	}
}

// fixed frames answers of one length.
type fixed int

func (f fixed) End(buf []byte) (end, next, need int, err error) {
	if len(buf) < int(f) {
		return -1, 0, int(f) - len(buf), nil
	}
	return int(f), int(f), 0, nil
}

func TestBlockThatKeepsComingMayTakeLongerThanReplyWithin(t *testing.T) {
	const size, piece = 100_000, 1000
	tests := []struct {
		name   string
		every  time.Duration
		pieces int
		want   error
	}{
		{"it keeps coming", 50 * time.Millisecond, size / piece, nil},
		{"it stops half way", 50 * time.Millisecond, size / piece / 2, ErrTimeout},
		{"it comes a piece in each ReplyWithin", 400 * time.Millisecond, size / piece, nil},
	}
	for _, tt := range tests {
		inBubble(t, tt.name, func(t *testing.T) {
			l, _ := dial(t, onTCP, Options{ReplyWithin: 500 * time.Millisecond, Framer: fixed(size)}, func(w *wire, _ string) {
				for i := range tt.pieces {
					w.say(time.Duration(i)*tt.every, strings.Repeat("x", piece))
				}
			})
			answer, err := l.Query(bg, Script, "Q")
			require.ErrorIs(t, err, tt.want)
			if tt.want == nil {
				require.Len(t, answer, size)
			}
		})
	}
}

func TestAnswersBelongToTheCaller(t *testing.T) {
	inBubble(t, "a later answer does not overwrite an earlier one", func(t *testing.T) {
		l, _ := dial(t, onTCP, Options{}, echo)
		first, err := l.Query(bg, Script, "Q1")
		require.NoError(t, err)
		large, err := l.Query(bg, Script, "Q"+strings.Repeat("2", 200_000))
		require.NoError(t, err)
		_, err = l.Query(bg, Script, "Q3")
		require.NoError(t, err)
		require.Equal(t, "A1", string(first))
		require.Equal(t, "A"+strings.Repeat("2", 200_000), string(large))
	})
}

func TestAnswerIntoGivenMemory(t *testing.T) {
	inBubble(t, "it lies there if it fits", func(t *testing.T) {
		l, _ := dial(t, onTCP, Options{}, echo)
		room := make([]byte, 0, 100_000)
		for _, size := range []int{1, 5000, 99_000} {
			answer, err := l.QueryInto(bg, Script, "Q"+strings.Repeat("1", size), room)
			require.NoError(t, err)
			require.Equal(t, "A"+strings.Repeat("1", size), string(answer))
			require.Same(t, &room[:1][0], &answer[0])
		}
		answer, err := l.QueryInto(bg, Script, "Q"+strings.Repeat("1", 200_000), room)
		require.NoError(t, err)
		require.Len(t, answer, 200_001, "what does not fit is not cut off")
		answer, err = l.Query(bg, Script, "Q2")
		require.NoError(t, err)
		require.Equal(t, "A2", string(answer))
	})
}

func TestMessageWithALineEndIsRefusedBeforeItIsSent(t *testing.T) {
	inBubble(t, "all three ways", func(t *testing.T) {
		l, b := dial(t, onTCP, Options{}, echo)
		_, err := l.Query(bg, Script, "Q1\nOUTP ON")
		require.ErrorContains(t, err, "line end")
		require.ErrorContains(t, l.Send(bg, Script, "VOLT 1\r"), "line end")
		require.ErrorContains(t, l.Urgent("OUTP OFF\n"), "line end")
		require.Empty(t, b.last().received())
	})
}
