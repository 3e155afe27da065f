package link

import (
	"errors"
	"os"
	"time"
)

// past is a deadline that wakes whoever reads or writes.
var past = time.Unix(1, 0)

// setRead and setWrite set a port's deadlines; mu is held. The link remembers
// them, since to set a deadline for each exchange is dear: one that comes too
// early only wakes the exchange, which then sets the right one.
func (l *Link) setRead(port Port, t time.Time) error {
	if port == l.port {
		l.readBy = t
	}
	return port.SetReadDeadline(t)
}

func (l *Link) setWrite(port Port, t time.Time) error {
	if port == l.port {
		l.writeBy = t
	}
	return port.SetWriteDeadline(t)
}

// early tells whether a deadline that is set may stay for an exchange that ends
// at until.
func early(set, now, until time.Time) bool { return set.After(now) && !set.After(until) }

// readSome reads what there is, waiting until a deadline at most, unless the
// exchange is told to stop.
func (x *exchange) readSome(buf []byte, until time.Time) (int, error) {
	for now := x.start; ; now = time.Now() {
		if err := x.armRead(now, until); err != nil {
			return 0, err
		}
		n, err := x.port.Read(buf)
		if n > 0 || !tooEarly(err, until) {
			return n, err
		}
	}
}

func (x *exchange) armRead(now, until time.Time) error {
	l := x.Link
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.stop != nil {
		return l.stop
	}
	if early(l.readBy, now, until) {
		return nil
	}
	return l.setRead(x.port, until)
}

// tooEarly tells whether an error is only an earlier exchange's deadline.
func tooEarly(err error, until time.Time) bool {
	return errors.Is(err, os.ErrDeadlineExceeded) && time.Now().Before(until)
}
