package link

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"time"
)

const (
	// urgentWithin is the longest an urgent write may take, the wire's own time
	// and the instrument's gaps apart.
	urgentWithin = time.Second
	// grace is how long bytes being written may take before they are cut off.
	grace = 100 * time.Millisecond
)

// Urgent sends messages at once, for making safe. It waits for bytes that are
// being written, never for an answer, and does not re-synchronise first. The
// exchange under way fails with ErrCut, and so does what a script has asked for
// before and still waits for its turn. If a message may have been cut off, a
// bare terminator goes first, so that the instrument does not take the rest for
// a part of it.
//
// No error means that everything was handed to the wire, not that the
// instrument took it.
func (l *Link) Urgent(messages ...string) error {
	err := l.urgent(messages)
	if err != nil {
		return fmt.Errorf("%s: urgent %q: %w", l.who(), messages, err)
	}
	return nil
}

func (l *Link) urgent(messages []string) error {
	for _, m := range messages {
		if strings.ContainsAny(m, "\r\n") {
			return errors.New("a message may not hold a line end: it would become two")
		}
	}
	until := time.Now().Add(urgentWithin)
	if _, err := l.cut(until); err != nil {
		return err
	}
	if err := l.takeWriting(until); err != nil {
		return err
	}
	defer func() { <-l.writing }()
	// Again, since another exchange may have begun and written meanwhile.
	port, err := l.cut(until)
	if err != nil {
		return err
	}
	if l.options.Gap <= 0 && l.options.CharacterGap <= 0 {
		return l.writeUrgent(port, l.compose(messages...), until)
	}
	for _, m := range messages {
		pause(l.free, l.options.Gap)
		if err := l.writePaced(port, m); err != nil {
			return err
		}
	}
	return nil
}

// Prompt tells whether an urgent write would leave now without waiting: the port
// is open, nobody writes, no gap has to pass, and of what was written before
// nothing is held back.
func (l *Link) Prompt() bool {
	if l.options.Gap > 0 || l.options.CharacterGap > 0 {
		return false
	}
	select {
	case l.writing <- struct{}{}:
	default:
		return false
	}
	defer func() { <-l.writing }()
	l.mu.Lock()
	port := l.port
	l.mu.Unlock()
	q, tells := port.(queuer)
	return tells && q.Queued() == 0
}

// cut makes the exchange under way give up and returns the port. It waits for a
// reopening that is under way, and for no other.
func (l *Link) cut(until time.Time) (Port, error) {
	for {
		l.mu.Lock()
		l.urgents.Add(1)
		if l.active && l.stop == nil {
			l.stop = ErrCut
			l.tell(l.wake)
			if l.port != nil {
				l.setRead(l.port, past)
			}
		}
		port, reopening, closed, why := l.port, l.reopening, l.closed, l.state.Err
		l.mu.Unlock()
		switch {
		case closed:
			return nil, ErrClosed
		case port != nil:
			return port, nil
		case reopening == nil:
			l.tell(l.hurry)
			return nil, why
		}
		timer := time.NewTimer(time.Until(until))
		select {
		case <-reopening:
			timer.Stop()
		case <-timer.C:
			return nil, fmt.Errorf("%w: being reopened for longer than %v", ErrLost, urgentWithin)
		}
	}
}

// takeWriting waits for bytes being written; a write that does not get on is
// cut off.
func (l *Link) takeWriting(until time.Time) error {
	select {
	case l.writing <- struct{}{}:
		return nil
	default:
	}
	timer := time.NewTimer(grace)
	defer timer.Stop()
	for {
		select {
		case l.writing <- struct{}{}:
			return nil
		case <-timer.C:
		}
		if !time.Now().Before(until) {
			return fmt.Errorf("%w: bytes being written do not get on", ErrTimeout)
		}
		l.mu.Lock()
		if l.inWrite && l.port != nil {
			l.setWrite(l.port, past)
		}
		l.mu.Unlock()
		timer.Reset(grace)
	}
}

func pause(from time.Time, gap time.Duration) {
	if d := time.Until(from.Add(gap)); gap > 0 && d > 0 {
		<-time.After(d)
	}
}

func (l *Link) writePaced(port Port, message string) error {
	out := l.compose(message)
	step := len(out)
	if l.options.CharacterGap > 0 {
		step = 1
	}
	for at := 0; at < len(out); at += step {
		if at > 0 {
			pause(l.free, l.options.CharacterGap)
		}
		if err := l.writeUrgent(port, out[at:min(at+step, len(out))], time.Now().Add(urgentWithin)); err != nil {
			l.partial = l.partial || at > 0
			return err
		}
		l.partial = at+step < len(out)
	}
	return nil
}

func (l *Link) writeUrgent(port Port, out []byte, until time.Time) error {
	l.mu.Lock()
	l.sent++
	l.mu.Unlock()
	var n int
	var err error
	if h, can := port.(hasty); can { // no timer is set for what need not wait
		n = h.WriteNow(out)
	}
	if n < len(out) {
		var more int
		more, err = l.writeBefore(port, out[n:], until.Add(l.at.Line.wireTime(len(out))))
		n += more
	}
	l.wrote(n)
	switch {
	case err == nil:
		l.partial = false
		return nil
	case errors.Is(err, os.ErrDeadlineExceeded):
		l.partial = l.partial || n > 0
		return fmt.Errorf("%w: only %d of %d bytes could be sent: the instrument holds the line, or does not read", ErrTimeout, n, len(out))
	}
	return l.lose(port, err)
}

// writeBefore writes until a deadline at most.
func (l *Link) writeBefore(port Port, out []byte, until time.Time) (int, error) {
	l.mu.Lock()
	err := l.setWrite(port, until)
	l.mu.Unlock()
	if err != nil {
		return 0, err
	}
	return port.Write(out)
}
