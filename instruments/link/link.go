package link

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"
)

// Framer tells where an answer ends. buf[:end] is the answer without its
// terminator, buf[next:] what follows. While the answer is incomplete end is
// negative and need says how many bytes at least are to come.
type Framer interface {
	End(buf []byte) (end, next, need int, err error)
}

// Options say how a link treats its instrument. Zero values are good for an
// instrument that answers lines within two seconds.
type Options struct {
	Name   string // the instrument's role, for messages
	Framer Framer // nil: an answer is a line ended by EOL
	// EOL ends a message; "\n" if empty. The eol of the address comes first.
	EOL string
	// ReplyWithin is the longest one exchange may take; 2 s if zero. A context's
	// deadline may shorten it, Patient lengthens it for one exchange.
	ReplyWithin time.Duration
	OpenWithin  time.Duration // 3 s if zero
	// Gap is the least time between the end of a message or answer and the next
	// message, CharacterGap between two characters.
	Gap, CharacterGap time.Duration
	Resync            Resync
	// TakesEffectWithin is the longest time that a message may take to act after
	// its connection has ended; 5 s if zero. For so long Fence refuses to call
	// the messages of a lost connection taken.
	TakesEffectWithin time.Duration
	// OnState is told each loss and each reconnection, in order, by the link's
	// own goroutine. It must not call Close.
	OnState func(State)
	LockDir string // where locks of serial ports are kept; the system's temporary directory if empty
	// Open replaces the opening of what the address names.
	Open func(ctx context.Context) (Port, error)
}

// Resync says how a link that is out of step gets into step again.
//
// Token makes a question whose answer cannot be mistaken for another's: each
// call another random one, whose answer is one line. Without it the link waits
// until the instrument has been silent for Quiet (ReplyWithin if zero), and on
// TCP then reopens the connection. An answer that comes later than that on a
// serial port cannot be told from a fresh one, so Quiet has to be longer than
// the instrument's longest delay.
type Resync struct {
	Token func() (ask string, accept func(reply []byte) bool)
	Quiet time.Duration
}

// State tells whether a link is connected.
type State struct {
	Up    bool
	Err   error // why it is not
	Since time.Time
}

// Link is a connection to one instrument; it is safe for concurrent use.
type Link struct {
	address string
	at      Address
	eol     string
	options Options

	turn turn
	// What follows belongs to the holder of the turn.
	current exchange
	buf     []byte
	watched <-chan struct{} // the end of the context that is watched
	unwatch func() bool

	// writing is held by whoever writes; what follows belongs to them.
	writing chan struct{}
	out     []byte
	partial bool      // the last message was cut off before its terminator
	free    time.Time // when the line will have sent everything

	wake    chan struct{} // tells an exchange that waits by a timer to look at stop
	hurry   chan struct{} // tells the reconnection to try now
	urgents atomic.Uint64 // counts urgent writes
	lost    chan struct{} // tells the owner that the state has changed
	ctx     context.Context
	close   context.CancelFunc
	done    chan struct{}

	mu        sync.Mutex
	port      Port // nil while there is none
	state     State
	closed    bool
	reopening chan struct{}   // closed when a reopening by re-sync has ended; nil if there is none
	active    bool            // an exchange is under way
	inWrite   bool            // the exchange is inside Write
	doneBy    <-chan struct{} // the end of its context
	stop      error           // why the exchange under way has to give up
	readBy    time.Time       // the port's deadlines as they are set
	writeBy   time.Time
	outOfStep bool
	quietFrom time.Time // since when, while out of step, nothing has come
	sent      uint64    // counts messages on this connection
	proven    uint64    // the last message that an answer on this connection followed
	strayed   time.Time // when a connection with unproven messages ended
}

// Dial opens the connection to an instrument and returns when it is open; the
// first question on a serial port re-synchronises. From then on the link keeps
// itself connected until Close.
func Dial(ctx context.Context, address string, o Options) (*Link, error) {
	at, err := ParseAddress(address)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", cmp.Or(o.Name, "link"), err)
	}
	o.ReplyWithin = cmp.Or(o.ReplyWithin, 2*time.Second)
	o.OpenWithin = cmp.Or(o.OpenWithin, 3*time.Second)
	o.TakesEffectWithin = cmp.Or(o.TakesEffectWithin, 5*time.Second)
	o.Resync.Quiet = cmp.Or(o.Resync.Quiet, o.ReplyWithin)
	l := &Link{
		address: address, at: at, options: o,
		eol:     cmp.Or(at.EOL, o.EOL, "\n"),
		writing: make(chan struct{}, 1),
		wake:    make(chan struct{}, 1),
		hurry:   make(chan struct{}, 1),
		lost:    make(chan struct{}, 1),
		done:    make(chan struct{}),
	}
	if l.options.Framer == nil {
		l.options.Framer = lines{eol: []byte(l.eol)}
	}
	port, err := l.open(ctx)
	if err != nil {
		return nil, fmt.Errorf("%s: cannot connect: %w", l.who(), err)
	}
	l.port, l.outOfStep = port, l.serial()
	l.quietFrom = time.Now()
	l.state = State{Up: true, Since: time.Now()}
	l.ctx, l.close = context.WithCancel(context.WithoutCancel(ctx))
	go l.keepConnected()
	return l, nil
}

// lines frames answers that are lines.
type lines struct{ eol []byte }

func (f lines) End(buf []byte) (end, next, need int, err error) {
	end = bytes.Index(buf, f.eol)
	if end < 0 {
		return -1, 0, 1, nil
	}
	next = end + len(f.eol)
	if len(f.eol) == 1 && f.eol[0] == '\n' && end > 0 && buf[end-1] == '\r' {
		end--
	}
	return end, next, 0, nil
}

func (l *Link) serial() bool { return l.at.Device != "" }

// Address is the address that the link was opened with.
func (l *Link) Address() string { return l.address }

// State tells whether the link is connected.
func (l *Link) State() State {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.state
}

// Unanswered tells whether something sent may still be on its way into effect:
// no answer has followed it on its own connection, or that connection ended
// less than TakesEffectWithin ago.
func (l *Link) Unanswered() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.sent != l.proven || l.stray()
}

func (l *Link) stray() bool {
	return !l.strayed.IsZero() && time.Since(l.strayed) < l.options.TakesEffectWithin
}

// Close ends the connection and the link's goroutine. What was sent on a serial
// port still leaves.
func (l *Link) Close() error {
	l.mu.Lock()
	if l.closed {
		l.mu.Unlock()
		<-l.done
		return nil
	}
	l.closed = true
	port := l.detach(ErrClosed)
	l.mu.Unlock()
	l.close()
	<-l.done
	l.stopWatching()
	if port == nil {
		return nil
	}
	if err := port.Close(); err != nil {
		return fmt.Errorf("%s: close: %w", l.who(), err)
	}
	return nil
}

// stopWatching lets go of the context that was watched last, unless a caller
// still has the turn; theirs ends by itself.
func (l *Link) stopWatching() {
	if l.turn.takeFree() {
		if l.unwatch != nil {
			l.unwatch()
		}
		l.turn.give()
	}
}

// Drop ends the connection at once and throws away what has not left yet. The
// link then reconnects by itself. The exchange under way fails with ErrLost.
func (l *Link) Drop() {
	l.mu.Lock()
	port := l.detach(fmt.Errorf("%w: dropped to throw away what was on its way", ErrLost))
	l.mu.Unlock()
	if port == nil {
		return
	}
	if d, ok := port.(dropper); ok {
		d.Drop()
	} else {
		port.Close()
	}
	l.tell(l.lost)
	l.tell(l.hurry)
}

// detach takes the port away and remembers why; mu is held.
func (l *Link) detach(cause error) Port {
	port := l.port
	l.port = nil
	if l.active && l.stop == nil {
		l.stop = cause
	}
	l.tell(l.wake)
	if l.sent != l.proven {
		l.strayed = time.Now()
	}
	l.sent, l.proven = 0, 0
	l.readBy, l.writeBy = time.Time{}, time.Time{}
	l.outOfStep = true
	if port != nil || errors.Is(cause, ErrClosed) {
		l.state = State{Err: cause, Since: time.Now()}
	}
	return port
}

func (l *Link) tell(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

type patience struct{}

// Patient lets exchanges under the returned context take longer than
// ReplyWithin, for what an instrument does slowly.
func Patient(ctx context.Context, within time.Duration) context.Context {
	return context.WithValue(ctx, patience{}, within)
}
