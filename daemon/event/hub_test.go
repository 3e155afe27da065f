package event

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

func note(n int) Event { return Event{Body: Note{Text: fmt.Sprint(n)}} }

func number(t *testing.T, e Event) (n int) {
	_, err := fmt.Sscan(e.Body.(Note).Text, &n)
	require.NoError(t, err)
	return n
}

func TestNothingIsLostToALosslessSubscriber(t *testing.T) {
	hub := NewHub()
	s := hub.Subscribe(Lossless)
	const many = 3 * lossyDepth
	for n := range many { // nobody takes them meanwhile: Emit never waits
		hub.Emit(note(n))
	}
	for n := range many {
		e, err := s.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, n, number(t, e))
	}
	require.Zero(t, s.Lost())
}

func TestALossySubscriberLosesTheOldest(t *testing.T) {
	hub := NewHub()
	s := hub.Subscribe(Lossy)
	for n := range lossyDepth + 10 {
		hub.Emit(note(n))
	}
	require.Equal(t, 10, s.Lost())
	e, err := s.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, 10, number(t, e))
}

func TestEverySubscriberSeesEveryEventFromThenOn(t *testing.T) {
	hub := NewHub()
	hub.Emit(note(0))
	a, b := hub.Subscribe(Lossless), hub.Subscribe(Lossy)
	hub.Emit(note(1))
	for _, s := range []*Subscription{a, b} {
		e, err := s.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, 1, number(t, e))
	}
}

func TestNextWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hub := NewHub()
		s := hub.Subscribe(Lossless)
		time.AfterFunc(time.Minute, func() { hub.Emit(note(7)) })
		began := time.Now()
		e, err := s.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, 7, number(t, e))
		require.Equal(t, time.Minute, time.Since(began))
	})
}

func TestNextEndsWithItsContext(t *testing.T) {
	s := NewHub().Subscribe(Lossless)
	ctx, cancel := context.WithCancelCause(t.Context())
	stopped := errors.New("stopped")
	cancel(stopped)
	_, err := s.Next(ctx)
	require.ErrorIs(t, err, stopped)
}

func TestCloseGivesWhatIsQueuedAndEnds(t *testing.T) {
	hub := NewHub()
	s := hub.Subscribe(Lossless)
	hub.Emit(note(1))
	s.Close()
	s.Close()
	hub.Emit(note(2))
	e, err := s.Next(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, number(t, e))
	for range 2 {
		_, err = s.Next(t.Context())
		require.ErrorIs(t, err, ErrEnded)
	}
	require.Empty(t, hub.subs, "a closed subscription keeps no memory")
}

func TestManyEmittersOneOrderForEverybody(t *testing.T) {
	hub := NewHub()
	a, b := hub.Subscribe(Lossless), hub.Subscribe(Lossless)
	var emitters sync.WaitGroup
	for g := range 4 {
		emitters.Go(func() {
			for n := range 500 {
				hub.Emit(note(1000*g + n))
			}
		})
	}
	emitters.Wait()
	last := map[int]int{}
	for range 2000 {
		ea, err := a.Next(t.Context())
		require.NoError(t, err)
		eb, err := b.Next(t.Context())
		require.NoError(t, err)
		require.Equal(t, ea, eb)
		n := number(t, ea)
		require.Equal(t, last[n/1000], n%1000)
		last[n/1000]++
	}
}
