package link

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"time"
)

// resync brings question and answer into step again, by a token or by silence.
func (x *exchange) resync() error {
	if x.options.Resync.Token != nil {
		return x.byToken()
	}
	return x.bySilence()
}

// tries is how many tokens share the time of one re-sync: the first may be
// swallowed by an answer that was cut short.
const tries = 2

// byToken asks a question whose answer cannot be another's and passes over
// everything until that answer has come.
func (x *exchange) byToken() error {
	var err error
	for left := tries; left > 0; left-- {
		now := time.Now()
		until := now.Add(x.until.Sub(now) / time.Duration(left))
		if err = x.askToken(until); err == nil {
			x.setInStep()
			return nil
		}
		if !errors.Is(err, ErrTimeout) || x.stopped() != nil {
			return err
		}
	}
	err = fmt.Errorf("out of step, and the question that would show otherwise failed: %w", err)
	if !x.serial() && time.Since(x.start) >= x.options.ReplyWithin {
		return x.lose(x.port, err)
	}
	return err
}

func (x *exchange) setInStep() {
	x.mu.Lock()
	x.outOfStep = false
	if x.port == x.Link.port && x.proven < x.sentAt {
		x.proven = x.sentAt
	}
	x.mu.Unlock()
}

func (x *exchange) askToken(until time.Time) error {
	ask, accept := x.options.Resync.Token()
	if err := x.write(ask); err != nil {
		return err
	}
	buf := make([]byte, 0, smallBuffer)
	for {
		// Only the last line matters; a flood is passed over.
		if len(buf) == cap(buf) {
			buf = append(buf[:0], buf[len(buf)-cap(buf)/4:]...)
		}
		n, err := x.readSome(buf[len(buf):cap(buf)], until)
		buf = buf[:len(buf)+n]
		if line, ok := lastLine(buf); n > 0 && ok && accept(line) {
			return nil
		}
		if err != nil || n == 0 {
			return x.ioError(err, buf, 1)
		}
	}
}

// lastLine is the last line of what arrived, if that line is complete.
func lastLine(buf []byte) ([]byte, bool) {
	text := bytes.TrimRight(buf, "\r\n")
	if len(text) == len(buf) {
		return nil, false
	}
	return text[bytes.LastIndexAny(text, "\r\n")+1:], true
}

// bySilence waits until nothing has come for Quiet since the link fell out of
// step, then on TCP takes a fresh connection. Silence already waited for counts
// when a short deadline ends the wait.
func (x *exchange) bySilence() error {
	quiet := x.options.Resync.Quiet
	now := time.Now()
	x.until = x.limit(x.ctx, now).Add(2 * quiet) // a late answer makes it begin again
	if d, ok := x.ctx.Deadline(); ok && d.Before(x.until) {
		x.until = d
	}
	buf := make([]byte, smallBuffer)
	for {
		// A millisecond at least, so that what has come by now is seen.
		silent := x.heardAt(time.Time{}).Add(quiet)
		if least := time.Now().Add(time.Millisecond); silent.Before(least) {
			silent = least
		}
		if silent.After(x.until) {
			silent = x.until
		}
		n, err := x.readSome(buf, silent)
		now := time.Now()
		switch {
		case n > 0:
			x.heardAt(now)
		case errors.Is(err, os.ErrDeadlineExceeded) && x.stopped() == nil && now.Sub(x.heardAt(time.Time{})) >= quiet:
			return x.afterSilence()
		case err == nil || !errors.Is(err, os.ErrDeadlineExceeded) || x.stopped() != nil:
			return x.ioError(err, nil, 1)
		}
		if !now.Before(x.until) {
			return fmt.Errorf("%w: out of step, and the instrument has to be silent for %v before it can be trusted again", ErrTimeout, quiet)
		}
	}
}

// heardAt is when something was last heard while out of step; a time that is
// not zero is remembered first.
func (x *exchange) heardAt(now time.Time) time.Time {
	x.mu.Lock()
	defer x.mu.Unlock()
	if !now.IsZero() {
		x.quietFrom = now
	}
	return x.quietFrom
}

func (x *exchange) afterSilence() error {
	if x.serial() {
		x.mu.Lock()
		x.outOfStep = false
		x.mu.Unlock()
		return nil
	}
	return x.reopen()
}

// reopen takes a fresh connection in place of the old one. An instrument with
// one connection may need a moment before it takes the next, so it is tried
// again until the deadline.
func (x *exchange) reopen() error {
	l := x.Link
	l.mu.Lock()
	if l.stop != nil {
		defer l.mu.Unlock()
		return l.stop
	}
	old := l.port
	l.detach(fmt.Errorf("%w: being reopened to get into step", ErrLost))
	l.stop = nil
	reopened := make(chan struct{})
	l.reopening = reopened
	l.mu.Unlock()
	old.Close()

	port, err := x.openAgain()
	if err == nil {
		if !l.attach(port) {
			close(reopened)
			return ErrClosed
		}
		x.port = port
		close(reopened)
		l.mu.Lock()
		defer l.mu.Unlock()
		l.outOfStep = false
		return l.stop
	}
	l.mu.Lock()
	l.reopening = nil
	if !l.closed {
		l.state = State{Err: fmt.Errorf("%w: %w", ErrLost, err), Since: time.Now()}
	}
	err = l.state.Err
	l.mu.Unlock()
	close(reopened)
	l.tell(l.lost)
	return err
}

func (x *exchange) openAgain() (Port, error) {
	ctx, cancel := context.WithDeadline(x.ctx, time.Now().Add(x.options.OpenWithin))
	defer cancel()
	defer context.AfterFunc(x.Link.ctx, cancel)()
	for {
		port, err := x.open(ctx)
		if err == nil {
			return port, nil
		}
		if sleep(ctx, firstPause) != nil {
			return nil, err
		}
	}
}

// Fence proves that everything sent so far was taken: a token sent behind it is
// answered on this very connection. It fails with ErrUnproven where there is no
// token, and while messages of a lost connection may still act; the cure is Drop
// and reading the outputs back until they must have acted.
func (l *Link) Fence(ctx context.Context) error {
	const what = "fence"
	if l.options.Resync.Token == nil {
		return l.failed(what, fmt.Errorf("%w: this instrument has no question whose answer cannot be another's", ErrUnproven))
	}
	x, err := l.begin(ctx, MakeSafe, what)
	if err != nil {
		return l.failed(what, fmt.Errorf("%w: %w", ErrUnproven, err))
	}
	err = x.byToken()
	if err != nil {
		x.stumble()
	}
	x.end()
	if err != nil {
		return l.failed(what, fmt.Errorf("%w: %w", ErrUnproven, err))
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.stray() {
		return l.failed(what, fmt.Errorf("%w: a connection ended %v ago with messages that nothing answered",
			ErrUnproven, time.Since(l.strayed).Round(time.Millisecond)))
	}
	return nil
}
