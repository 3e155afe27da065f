package simulated

import (
	"context"
	"errors"
	"net"
	"sync"
	"time"
)

// socket serves an instrument on a TCP port to any number of clients.
type socket struct {
	instrument *instrument
	address    string

	mu       sync.Mutex
	listener net.Listener
	clients  map[net.Conn]bool
	away     time.Time // not reachable until then
	closed   bool
	running  sync.WaitGroup
}

func listen(address string, i *instrument) (*socket, error) {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, err
	}
	return &socket{instrument: i, address: l.Addr().String(), listener: l, clients: map[net.Conn]bool{}}, nil
}

func (s *socket) link() string { return "tcp://" + s.address }

// run accepts clients until ctx ends or close is called, and waits for them all.
func (s *socket) run(ctx context.Context) error {
	defer s.running.Wait()
	defer context.AfterFunc(ctx, s.close)()
	for {
		s.mu.Lock()
		l, away, closed := s.listener, s.away, s.closed
		s.mu.Unlock()
		if closed {
			return nil
		}
		if l == nil {
			if !wait(ctx, time.Until(away)) {
				return nil
			}
			if err := s.comeBack(); err != nil {
				return err
			}
			continue
		}
		c, err := l.Accept()
		switch {
		case err == nil:
			s.greet(ctx, c)
		case !errors.Is(err, net.ErrClosed):
			return err
		}
	}
}

func (s *socket) comeBack() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	l, err := net.Listen("tcp", s.address)
	s.listener = l
	return err
}

func (s *socket) greet(ctx context.Context, c net.Conn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed || s.listener == nil {
		c.Close()
		return
	}
	s.clients[c] = true
	s.running.Go(func() {
		s.instrument.serve(ctx, client{c, s})
		s.mu.Lock()
		delete(s.clients, c)
		s.mu.Unlock()
	})
}

func (s *socket) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	s.hangUp()
}

// hangUp closes listener and clients.
func (s *socket) hangUp() {
	if s.listener != nil {
		s.listener.Close()
		s.listener = nil
	}
	for c := range s.clients {
		c.Close()
	}
}

// client is one TCP connection.
type client struct {
	net.Conn
	socket *socket
}

// breakOff resets the connection; with a time, the whole instrument is away for it.
func (c client) breakOff(away time.Duration) {
	if t, ok := c.Conn.(*net.TCPConn); ok && away == 0 {
		t.CloseWrite()
	}
	c.Close()
	if away == 0 {
		return
	}
	c.socket.mu.Lock()
	defer c.socket.mu.Unlock()
	c.socket.away = time.Now().Add(away)
	c.socket.hangUp()
}
