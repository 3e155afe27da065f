package keeper

import (
	"io"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// beats is a daemon's pipe in memory, whose deadlines follow virtual time.
type beats struct {
	bytes    chan byte
	closed   chan struct{}
	deadline time.Time
}

func newBeats() *beats { return &beats{bytes: make(chan byte, 4096), closed: make(chan struct{})} }

func (b *beats) SetReadDeadline(at time.Time) error {
	b.deadline = at
	return nil
}

func (b *beats) Read(p []byte) (int, error) {
	select { // what is in a pipe comes before its end
	case p[0] = <-b.bytes:
		return 1, nil
	default:
	}
	var over <-chan time.Time
	if !b.deadline.IsZero() {
		over = time.After(time.Until(b.deadline))
	}
	select {
	case p[0] = <-b.bytes:
		return 1, nil
	case <-b.closed:
		return 0, io.EOF
	case <-over:
		return 0, os.ErrDeadlineExceeded
	}
}

// watched runs Watch on benches while life goes on, and returns the case with how long it took.
func watched(t *testing.T, benches int, life func(*beats)) (c Case, took time.Duration) {
	synctest.Test(t, func(t *testing.T) {
		b := newBeats()
		began := time.Now()
		done := make(chan struct{})
		go func() {
			defer close(done)
			var err error
			c, err = Watch(b, benches)
			require.NoError(t, err)
			took = time.Since(began)
		}()
		life(b)
		<-done
	})
	return c, took
}

// beat sends the beats of benches, one each tick, so many times.
func beat(b *beats, times int, tick time.Duration, benches ...byte) {
	for range times {
		for _, i := range benches {
			b.bytes <- i
		}
		<-time.After(tick)
	}
}

func TestADaemonThatDiesIsSeenAtOnce(t *testing.T) {
	c, took := watched(t, 2, func(b *beats) {
		beat(b, 100, 20*time.Millisecond, 0, 1)
		close(b.closed)
	})
	require.Equal(t, []int{0, 1}, c.Benches)
	require.False(t, c.Hung)
	require.Equal(t, 2*time.Second, took)
}

func TestADaemonThatDiesBeforeItsFirstBeatIsSeenToo(t *testing.T) {
	c, _ := watched(t, 2, func(b *beats) {
		<-time.After(time.Minute)
		close(b.closed)
	})
	require.Equal(t, []int{0, 1}, c.Benches)
}

func TestABeatThatStaysAway(t *testing.T) {
	c, took := watched(t, 2, func(b *beats) {
		beat(b, 50, 20*time.Millisecond, 0, 1)
		beat(b, 60, 20*time.Millisecond, 0) // bench 1 hangs, the other goes on
		close(b.closed)
	})
	require.True(t, c.Hung)
	require.Equal(t, []int{0, 1}, c.Benches, "ending the daemon ends both")
	require.LessOrEqual(t, took, time.Second-20*time.Millisecond+Silence+again)
	require.GreaterOrEqual(t, took, time.Second-20*time.Millisecond+Silence-again)
}

func TestABeatThatIsOnlyJustInTimeIsEnough(t *testing.T) {
	c, _ := watched(t, 1, func(b *beats) {
		beat(b, 20, Silence-time.Millisecond, 0)
		b.bytes <- farewell
		close(b.closed)
	})
	require.Empty(t, c.Benches)
}

func TestABenchThatHasNotBegunToBeatIsWaitedFor(t *testing.T) {
	c, _ := watched(t, 2, func(b *beats) {
		beat(b, 500, 20*time.Millisecond, 0) // bench 1 is still being opened
		beat(b, 10, 20*time.Millisecond, 0, 1)
		b.bytes <- 0 | farewell
		b.bytes <- 1 | farewell
		close(b.closed)
	})
	require.Empty(t, c.Benches)
}

func TestABenchThatHasSaidFarewellIsLeftAlone(t *testing.T) {
	c, _ := watched(t, 2, func(b *beats) {
		beat(b, 10, 20*time.Millisecond, 0, 1)
		b.bytes <- 0 | farewell
		beat(b, 200, 20*time.Millisecond, 1)
		close(b.closed)
	})
	require.Equal(t, []int{1}, c.Benches)
}

func TestABeatForABenchThatIsNotThereIsAnError(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBeats()
		b.bytes <- 7
		_, err := Watch(b, 2)
		require.ErrorContains(t, err, "bench 8 of 2")
	})
}
