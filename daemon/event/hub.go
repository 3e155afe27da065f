package event

import (
	"context"
	"errors"
	"sync"
)

// ErrEnded is what Next returns when the subscription was closed and everything was taken.
var ErrEnded = errors.New("event subscription ended")

// Loss says what happens to a subscriber that is slower than the events.
type Loss int

const (
	// Lossless keeps every event until it is taken: for the journal.
	Lossless Loss = iota
	// Lossy drops the oldest event beyond lossyDepth: for pages and terminals.
	Lossy
)

const lossyDepth = 4096

// Hub hands every event to every subscriber. Emit never blocks, whatever a subscriber does.
type Hub struct {
	mu   sync.Mutex
	subs map[*Subscription]struct{}
}

// NewHub returns a hub without subscribers.
func NewHub() *Hub { return &Hub{subs: map[*Subscription]struct{}{}} }

// Emit queues the event for every subscriber.
func (h *Hub) Emit(e Event) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for s := range h.subs {
		s.put(e)
	}
}

// Subscribe returns a subscription that sees every event from now on; Close it.
func (h *Hub) Subscribe(loss Loss) *Subscription {
	s := &Subscription{hub: h, loss: loss, wake: make(chan struct{}, 1)}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.subs[s] = struct{}{}
	return s
}

// Subscription is one listener's queue.
type Subscription struct {
	hub  *Hub
	loss Loss
	wake chan struct{}

	mu     sync.Mutex
	queue  []Event
	lost   int
	closed bool
}

func (s *Subscription) put(e Event) {
	s.mu.Lock()
	if s.loss == Lossy && len(s.queue) >= lossyDepth {
		s.queue = s.queue[1:]
		s.lost++
	}
	s.queue = append(s.queue, e)
	s.mu.Unlock()
	s.signal()
}

func (s *Subscription) signal() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// Next waits for the next event; one goroutine takes them. After Close it returns what is still queued, then ErrEnded.
func (s *Subscription) Next(ctx context.Context) (Event, error) {
	for {
		s.mu.Lock()
		if len(s.queue) > 0 {
			e := s.queue[0]
			s.queue = s.queue[1:]
			s.mu.Unlock()
			return e, nil
		}
		closed := s.closed
		s.mu.Unlock()
		if closed {
			return Event{}, ErrEnded
		}
		select {
		case <-s.wake:
		case <-ctx.Done():
			return Event{}, context.Cause(ctx)
		}
	}
}

// Lost tells how many events a lossy subscription has dropped.
func (s *Subscription) Lost() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.lost
}

// Close ends the subscription; events already queued can still be taken.
func (s *Subscription) Close() {
	s.hub.mu.Lock()
	delete(s.hub.subs, s)
	s.hub.mu.Unlock()
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	s.signal()
}
