package link

import (
	"errors"
	"os"
	"time"
)

// write sends one message. Whether it left whole is known afterwards: what was
// cut off is ended by a bare terminator before the next message.
func (x *exchange) write(message string) error {
	if err := x.waitToWrite(); err != nil {
		return err
	}
	err := x.writeNow(message)
	<-x.writing
	return err
}

// writeNow writes a message while it holds the right to write.
func (x *exchange) writeNow(message string) error {
	if err := x.await(x.free, x.options.Gap); err != nil {
		return err
	}
	out := x.compose(message)
	step := len(out)
	if x.options.CharacterGap > 0 {
		step = 1
	}
	now := x.start
	for at := 0; at < len(out); {
		n, err := x.writeSome(out[at:min(at+step, len(out))], at == 0, now)
		at += n
		if tooEarly(err, x.until) && x.stopped() == nil {
			now, err = time.Now(), nil
		}
		x.partial = at > 0 && at < len(out) || at == 0 && x.partial
		x.wrote(n)
		if err == nil && at < len(out) {
			err = x.await(x.free, x.options.CharacterGap)
		}
		if err != nil {
			return x.writeError(err, at, len(out))
		}
	}
	return nil
}

// waitToWrite waits for an urgent write to finish.
func (x *exchange) waitToWrite() error {
	select {
	case x.writing <- struct{}{}:
		return nil
	default:
	}
	timer := time.NewTimer(time.Until(x.until))
	defer timer.Stop()
	for {
		select {
		case x.writing <- struct{}{}:
			return nil
		case <-x.wake:
			if err := x.stopped(); err != nil {
				return err
			}
		case <-timer.C:
			return &timeout{eol: x.eol, waited: time.Since(x.start), size: 1, cause: x.ctx.Err()}
		}
	}
}

func (x *exchange) stopped() error {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.stop
}

// await waits until a gap has passed after an instant.
func (x *exchange) await(from time.Time, gap time.Duration) error {
	if gap <= 0 {
		return nil
	}
	d := time.Until(from.Add(gap))
	if d <= 0 {
		return nil
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	for {
		select {
		case <-timer.C:
			return nil
		case <-x.wake:
			if err := x.stopped(); err != nil {
				return err
			}
		}
	}
}

// compose puts a message and its terminator into the link's buffer.
func (l *Link) compose(messages ...string) []byte {
	l.out = l.out[:0]
	if l.partial {
		l.out = append(l.out, l.eol...)
	}
	for _, m := range messages {
		l.out = append(l.out, m...)
		l.out = append(l.out, l.eol...)
	}
	return l.out
}

func (x *exchange) writeSome(b []byte, first bool, now time.Time) (int, error) {
	l := x.Link
	l.mu.Lock()
	if l.stop != nil {
		l.mu.Unlock()
		return 0, l.stop
	}
	if !early(l.writeBy, now, x.until) {
		if err := l.setWrite(x.port, x.until); err != nil {
			l.mu.Unlock()
			return 0, err
		}
	}
	l.inWrite = true
	if first {
		l.sent++
		x.sentAt = l.sent
	}
	l.mu.Unlock()

	n, err := x.port.Write(b)

	l.mu.Lock()
	l.inWrite = false
	l.mu.Unlock()
	return n, err
}

// wrote remembers when the line will be free again; for the pacing only.
func (l *Link) wrote(n int) {
	if l.options.Gap <= 0 && l.options.CharacterGap <= 0 {
		return
	}
	now := time.Now()
	if l.free.Before(now) {
		l.free = now
	}
	l.free = l.free.Add(l.at.Line.wireTime(n))
}

// answered counts the gap from an answer's end.
func (x *exchange) answered() {
	select {
	case x.writing <- struct{}{}:
		x.free = time.Now()
		<-x.writing
	default: // an urgent write has its own, later, end
	}
}

func (x *exchange) writeError(err error, written, size int) error {
	if stop := x.stopped(); stop != nil {
		return stop
	}
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return &timeout{eol: x.eol, waited: time.Since(x.start),
			written: written, size: size, cause: x.ctx.Err()}
	}
	return x.lose(x.port, err)
}
