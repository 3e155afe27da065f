package link

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"
)

// Query sends a question and returns its answer without the terminator. A link
// that is out of step is brought into step first. On any error the link is out
// of step, and no part of an answer is returned.
func (l *Link) Query(ctx context.Context, p Priority, message string) ([]byte, error) {
	return l.exchangeOne(ctx, p, message, true, nil)
}

// QueryInto is Query with memory for the answer: an answer that fits into buf's
// capacity lies there. To read one large block after another into the same
// memory costs the collector nothing.
func (l *Link) QueryInto(ctx context.Context, p Priority, message string, buf []byte) ([]byte, error) {
	return l.exchangeOne(ctx, p, message, true, buf)
}

// Send sends a message that has no answer.
func (l *Link) Send(ctx context.Context, p Priority, message string) error {
	_, err := l.exchangeOne(ctx, p, message, false, nil)
	return err
}

func (l *Link) exchangeOne(ctx context.Context, p Priority, message string, answered bool, into []byte) ([]byte, error) {
	x, err := l.begin(ctx, p, message)
	if err != nil {
		return nil, l.failed(message, err)
	}
	answer, err := x.run(message, answered, into)
	x.end()
	if err != nil {
		return nil, l.failed(message, err)
	}
	return answer, nil
}

// exchange is one use of the connection by the holder of the turn.
type exchange struct {
	*Link
	ctx    context.Context
	port   Port
	start  time.Time
	until  time.Time
	astray bool   // the link was out of step when it began
	sentAt uint64 // the number of the message that was sent
}

// begin waits for the turn and starts an exchange; end has to follow.
func (l *Link) begin(ctx context.Context, p Priority, message string) (*exchange, error) {
	if p < Script || p >= levels {
		return nil, fmt.Errorf("%v %d", p, int(p))
	}
	if strings.IndexByte(message, '\n') >= 0 || strings.IndexByte(message, '\r') >= 0 {
		return nil, errors.New("a message may not hold a line end: it would become two")
	}
	urgents := l.urgents.Load()
	if !l.turn.take(p, ctx.Done(), l.ctx.Done()) {
		if l.ctx.Err() != nil {
			return nil, ErrClosed
		}
		return nil, fmt.Errorf("given up while waiting for other exchanges: %w", context.Cause(ctx))
	}
	x := &l.current
	*x = exchange{Link: l, ctx: ctx, start: time.Now()}
	x.until = l.limit(ctx, x.start)
	if err := x.activate(p == Script, urgents); err != nil {
		l.turn.give()
		return nil, err
	}
	l.watch(ctx)
	if ctx.Err() != nil {
		x.end()
		return nil, context.Cause(ctx)
	}
	return x, nil
}

// limit is when an exchange that starts now has to be over.
func (l *Link) limit(ctx context.Context, start time.Time) time.Time {
	within := l.options.ReplyWithin
	if d, ok := ctx.Value(patience{}).(time.Duration); ok {
		within = d
	}
	until := start.Add(within)
	if d, ok := ctx.Deadline(); ok && d.Before(until) {
		return d
	}
	return until
}

func (x *exchange) activate(cuttable bool, urgents uint64) error {
	l := x.Link
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case l.closed:
		return ErrClosed
	case l.port == nil:
		return fmt.Errorf("since %v: %w", time.Since(l.state.Since).Round(time.Millisecond), l.state.Err)
	case cuttable && urgents != l.urgents.Load(): // what a script wanted before make-safe must not follow it
		return ErrCut
	}
	l.active, l.stop, l.doneBy = true, nil, x.ctx.Done()
	x.port, x.astray = l.port, l.outOfStep
	select {
	case <-l.wake:
	default:
	}
	return nil
}

func (x *exchange) end() {
	x.mu.Lock()
	x.active = false
	x.mu.Unlock()
	x.turn.give()
}

// watch makes the end of a context interrupt exchanges under it. The watch stays
// until another context comes: to set it up for each exchange would cost as much
// as all the rest of the link.
func (l *Link) watch(ctx context.Context) {
	done := ctx.Done()
	if done == l.watched || done == nil {
		return
	}
	if l.unwatch != nil {
		l.unwatch()
	}
	l.watched = done
	l.unwatch = context.AfterFunc(ctx, func() { l.interrupt(done, context.Cause(ctx)) })
}

// interrupt makes the exchange under way give up if it is under the context that
// has ended.
func (l *Link) interrupt(done <-chan struct{}, cause error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.active || l.doneBy != done || l.stop != nil {
		return
	}
	l.stop = cause
	l.tell(l.wake)
	if l.port != nil {
		l.setRead(l.port, past)
		if l.inWrite {
			l.setWrite(l.port, past)
		}
	}
}

func (x *exchange) run(message string, answered bool, into []byte) ([]byte, error) {
	if !answered {
		return nil, x.write(message)
	}
	if err := x.inStep(); err != nil {
		return nil, err
	}
	err := x.write(message)
	var answer []byte
	if err == nil {
		answer, err = x.read(into)
	}
	if err != nil {
		x.stumble()
	}
	return answer, err
}

// stumble marks the link out of step.
func (x *exchange) stumble() {
	x.mu.Lock()
	x.outOfStep = true
	x.quietFrom = time.Now()
	x.mu.Unlock()
}

// inStep makes sure that the next answer will be the answer to the next
// question.
func (x *exchange) inStep() error {
	out := x.astray
	if w, ok := x.port.(waiter); ok && !out {
		n, err := w.Waiting()
		if err != nil {
			return x.lose(x.port, err)
		}
		if n > 0 {
			if out, err = x.unexpected(n); err != nil {
				return err
			}
		}
	}
	if !out {
		return nil
	}
	if err := x.resync(); err != nil {
		return err
	}
	x.start = time.Now()
	x.until = x.limit(x.ctx, x.start)
	return nil
}

// unexpected looks at bytes that wait before anything was asked. Line ends are
// the rest of a terminator; anything else puts the link out of step.
func (x *exchange) unexpected(n int) (out bool, err error) {
	buf := make([]byte, min(n, smallBuffer))
	n, err = x.readSome(buf, x.until)
	if err != nil {
		return true, x.ioError(err, nil, 1)
	}
	if !onlyLineEnds(buf[:n]) {
		x.stumble()
		return true, nil
	}
	return false, nil
}

func onlyLineEnds(b []byte) bool { return len(bytes.Trim(b, "\r\n")) == 0 }

const (
	smallBuffer = 4 << 10
	// trust is how much memory a block header gets before its bytes have come.
	trust = 16 << 20
	// mostText is how long an answer of unknown length may grow.
	mostText = 16 << 20
)

// read reads one answer, into the caller's memory if that is given and large
// enough. Else small ones are copied out of the link's buffer; a large one is
// read straight into a buffer that then belongs to the caller.
func (x *exchange) read(into []byte) ([]byte, error) {
	buf, need, seen := into[:0], 1, 0
	if cap(into) == 0 {
		if x.buf == nil {
			x.buf = make([]byte, 0, smallBuffer)
		}
		buf = x.buf[:0]
	}
	until := x.until
	for {
		buf = grow(buf, need)
		n, err := x.readSome(buf[len(buf):cap(buf)], until)
		buf, need = buf[:len(buf)+n], need-n
		if need > 0 && (err != nil || n == 0) {
			if until = x.extend(err, until, len(buf)-seen, need); until.IsZero() {
				return nil, x.ioError(err, buf, need)
			}
			seen = len(buf)
		}
		if need > 0 {
			continue
		}
		end, next, missing, err := x.options.Framer.End(buf)
		if err != nil {
			return nil, fmt.Errorf("the answer cannot be read: %w; %d bytes arrived: %s", err, len(buf), excerpt(buf))
		}
		if end >= 0 {
			return x.accept(buf, end, next, cap(into) > 0)
		}
		if need = max(missing, 1); need == 1 && len(buf) > mostText {
			return nil, fmt.Errorf("no end of the answer within %d bytes: %s", len(buf), excerpt(buf))
		}
	}
}

// extend gives an answer of known length more time as long as it keeps coming;
// a zero time says no.
func (x *exchange) extend(err error, until time.Time, came, need int) time.Time {
	const worthwhile = 256
	if !errors.Is(err, os.ErrDeadlineExceeded) || came < worthwhile || need < 2 {
		return time.Time{}
	}
	now := time.Now()
	if next := x.limit(x.ctx, now); next.After(now) && next.After(until) {
		return next
	}
	return time.Time{}
}

func grow(buf []byte, need int) []byte {
	room := cap(buf) - len(buf)
	if room >= need || room > 0 && need > trust {
		return buf
	}
	bigger := make([]byte, len(buf), len(buf)+max(min(need, trust), min(len(buf), trust), smallBuffer))
	copy(bigger, buf)
	return bigger
}

// accept takes a complete answer, unless something came behind it: then nobody
// knows which of the two is the answer.
func (x *exchange) accept(buf []byte, end, next int, theirs bool) ([]byte, error) {
	if !onlyLineEnds(buf[next:]) {
		return nil, fmt.Errorf("%w; arrived: %s", ErrDoubtful, excerpt(buf))
	}
	x.mu.Lock()
	if x.port == x.Link.port && x.proven < x.sentAt {
		x.proven = x.sentAt
	}
	x.mu.Unlock()
	if x.options.Gap > 0 {
		x.answered()
	}
	switch {
	case theirs:
		return buf[:end], nil
	case cap(buf) > 16*smallBuffer:
		x.buf = nil
		return buf[:end:end], nil
	}
	x.buf = buf
	return bytes.Clone(buf[:end]), nil
}

// ioError turns what a read ended with into what it means.
func (x *exchange) ioError(err error, arrived []byte, need int) error {
	x.mu.Lock()
	stop := x.stop
	x.mu.Unlock()
	switch {
	case stop != nil && x.ctx.Err() != nil && errors.Is(stop, context.DeadlineExceeded),
		stop == nil && errors.Is(err, os.ErrDeadlineExceeded):
		return &timeout{eol: x.eol, waited: time.Since(x.start),
			arrived: bytes.Clone(arrived), need: need, cause: x.ctx.Err()}
	case stop != nil:
		return stop
	case err == nil:
		err = io.ErrNoProgress
	}
	return x.lose(x.port, err)
}
