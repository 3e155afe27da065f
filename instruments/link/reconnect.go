package link

import (
	"fmt"
	"hash/fnv"
	"time"
)

const (
	firstPause   = 50 * time.Millisecond
	longestPause = 5 * time.Second
)

// keepConnected is the link's own goroutine: it tells of losses and reopens
// with growing pauses until Close.
func (l *Link) keepConnected() {
	defer close(l.done)
	aside := l.aside()
	for {
		select {
		case <-l.lost:
		case <-l.ctx.Done():
			return
		}
		l.report()
		for pause := firstPause; !l.reconnect(); pause = min(2*pause, longestPause) {
			if !l.pause(pause + aside) {
				return
			}
		}
	}
}

// aside is up to a millisecond, each name's own: links that were lost at one
// instant do not all knock again at one instant.
func (l *Link) aside() time.Duration {
	h := fnv.New32a()
	h.Write([]byte(l.options.Name))
	return time.Duration(h.Sum32()) % time.Millisecond
}

func (l *Link) pause(d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-l.hurry:
	case <-l.ctx.Done():
		return false
	}
	return true
}

// reconnect opens the connection again unless there is one; false says that it
// has to be tried again.
func (l *Link) reconnect() bool {
	l.mu.Lock()
	needless := l.port != nil || l.reopening != nil
	l.mu.Unlock()
	if needless || l.ctx.Err() != nil {
		return true
	}
	port, err := l.open(l.ctx)
	if err != nil {
		l.mu.Lock()
		l.state.Err = fmt.Errorf("%w; reopening fails: %w", ErrLost, err)
		l.mu.Unlock()
		return false
	}
	if l.attach(port) {
		l.report()
	}
	return true
}

// attach takes a fresh connection into use; false says that the link was closed
// meanwhile.
func (l *Link) attach(port Port) bool {
	l.mu.Lock()
	if l.closed {
		l.mu.Unlock()
		port.Close()
		return false
	}
	l.port = port
	l.outOfStep = l.serial() || l.options.Resync.Token != nil
	l.quietFrom = time.Now()
	l.reopening = nil
	l.state = State{Up: true, Since: time.Now()}
	l.mu.Unlock()
	return true
}

func (l *Link) report() {
	if l.options.OnState != nil {
		l.options.OnState(l.State())
	}
}

// lose gives a broken connection up and says why it is gone.
func (l *Link) lose(port Port, cause error) error {
	l.mu.Lock()
	cause = fmt.Errorf("%w: %w", ErrLost, cause)
	mine := l.port == port
	switch {
	case mine:
		l.detach(cause)
	case l.state.Err != nil: // somebody else ended it, and knows why
		cause = l.state.Err
	}
	l.mu.Unlock()
	if mine {
		if d, ok := port.(dropper); ok {
			d.Drop()
		} else {
			port.Close()
		}
		l.tell(l.lost)
	}
	return cause
}
