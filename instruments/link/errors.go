package link

import (
	"errors"
	"fmt"
	"time"
	"unicode"
	"unicode/utf8"
)

// What an exchange can fail with; the errors returned wrap one of these.
var (
	// ErrTimeout: the answer, or room for the message, did not come in time.
	ErrTimeout = errors.New("no complete answer in time")
	// ErrCut: an urgent write came first.
	ErrCut = errors.New("cut short by an urgent make-safe write")
	// ErrLost: there is no connection. The link reopens it by itself.
	ErrLost = errors.New("connection lost")
	// ErrClosed: the link was closed by its owner.
	ErrClosed = errors.New("link closed")
	// ErrBusy: another process has the serial port.
	ErrBusy = errors.New("port in use")
	// ErrDoubtful: more than one answer came, so that none can be trusted.
	ErrDoubtful = errors.New("more than one answer to one question")
	// ErrUnproven: it cannot be shown that everything sent was taken.
	ErrUnproven = errors.New("not proven that everything sent was taken")
)

// timeout tells a technician what did and what did not arrive.
type timeout struct {
	eol     string // the terminator that was expected
	waited  time.Duration
	arrived []byte
	need    int   // bytes known to be missing, above 1 in a block
	written int   // bytes of the message that left
	size    int   // bytes that should have
	cause   error // the caller's context, if it was what ended
}

func (e *timeout) Unwrap() []error {
	if e.cause == nil {
		return []error{ErrTimeout}
	}
	return []error{ErrTimeout, e.cause}
}

func (e *timeout) Error() string {
	waited := e.waited.Round(time.Millisecond)
	if e.written < e.size {
		return fmt.Sprintf("only %d of %d bytes could be sent within %v; usually the instrument holds the line by flow control, or does not read",
			e.written, e.size, waited)
	}
	arrived, means := "nothing arrived", nothing
	if len(e.arrived) > 0 {
		arrived = fmt.Sprintf("%d bytes arrived: %s", len(e.arrived), excerpt(e.arrived))
		means = e.meaning()
	}
	return fmt.Sprintf("no complete answer within %v; %s; expected an answer ended by %q; %s", waited, arrived, e.eol, means)
}

const nothing = "usually no power, a loose or wrong cable, another baud rate or terminator than the instrument's, or a question it does not know"

func (e *timeout) meaning() string {
	strange := 0
	for _, r := range string(e.arrived) {
		if r == utf8.RuneError || !unicode.IsPrint(r) && !unicode.IsSpace(r) {
			strange++
		}
	}
	switch {
	case e.need > 1:
		return fmt.Sprintf("at least %d more bytes of a block were to come: the answer was cut short, or the instrument needs longer", e.need)
	case strange*5 > len(e.arrived):
		return "unreadable bytes usually mean the wrong baud rate or parity"
	}
	return "text without its terminator usually means the wrong eol setting, or an answer cut short"
}

// excerpt quotes the start and end of what arrived.
func excerpt(b []byte) string {
	const most = 60
	if len(b) <= most {
		return fmt.Sprintf("%q", b)
	}
	return fmt.Sprintf("%q ... %q", b[:most/2], b[len(b)-most/2:])
}

// who names the instrument and where it is.
func (l *Link) who() string {
	if l.options.Name == "" {
		return l.address
	}
	return l.options.Name + " (" + l.address + ")"
}

// failed names the exchange that an error ended.
func (l *Link) failed(message string, err error) error {
	return fmt.Errorf("%s: %.80q: %w", l.who(), message, err)
}
