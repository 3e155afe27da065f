package link

import (
	"context"
	"io"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// wire is a port in memory with a device behind it. It buffers as sockets do,
// keeps deadlines in virtual time, and can be stopped from taking bytes.
type wire struct {
	device func(w *wire, line string) // told each whole line, on the writer's goroutine

	mu            sync.Mutex
	changed       chan struct{} // closed at each change, then replaced
	toLink, toDev []byte
	readBy        time.Time
	writeBy       time.Time
	spoken        time.Time // when the last thing said later is said
	closed, ended bool
	room          int // bytes taken until writes block; negative: any number
	reads, held   int // held: what the computer has not sent yet
	wrote         []written
}

// written is what one call of Write handed over, and when.
type written struct {
	text string
	at   time.Time
}

func newWire(device func(*wire, string)) *wire {
	return &wire{device: device, changed: make(chan struct{}), room: -1}
}

// change runs f and wakes whoever waits.
func (w *wire) change(f func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	f()
	close(w.changed)
	w.changed = make(chan struct{})
}

// say makes text readable for the link after a delay, and never before what was
// to be said earlier: an instrument answers in the order of the questions.
func (w *wire) say(after time.Duration, text string) {
	speak := func() { w.change(func() { w.toLink = append(w.toLink, text...) }) }
	w.mu.Lock()
	at := time.Now().Add(after)
	if !at.After(w.spoken) {
		at = w.spoken.Add(time.Nanosecond)
	}
	now := !at.After(time.Now())
	if !now {
		w.spoken = at
	}
	w.mu.Unlock()
	if now {
		speak()
		return
	}
	time.AfterFunc(time.Until(at), speak)
}

// hangUp ends the connection from the device's side.
func (w *wire) hangUp() { w.change(func() { w.ended = true }) }

// resume lets writes through again.
func (w *wire) resume() { w.change(func() { w.room = -1 }) }

func (w *wire) received() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	var b strings.Builder
	for _, x := range w.wrote {
		b.WriteString(x.text)
	}
	return b.String()
}

func (w *wire) Read(p []byte) (n int, err error) {
	err = w.wait(func() (bool, error) {
		w.reads++
		if len(w.toLink) > 0 {
			n = copy(p, w.toLink)
			w.toLink = w.toLink[n:]
			return true, nil
		}
		if w.ended {
			return true, io.EOF
		}
		return false, nil
	}, &w.readBy)
	return n, err
}

func (w *wire) Write(p []byte) (n int, err error) {
	var lines []string
	err = w.wait(func() (bool, error) {
		if w.ended {
			return true, io.ErrClosedPipe
		}
		take := len(p) - n
		if w.room >= 0 {
			take = min(take, w.room)
			w.room -= take
		}
		if take > 0 {
			w.wrote = append(w.wrote, written{string(p[n : n+take]), time.Now()})
			w.toDev = append(w.toDev, p[n:n+take]...)
			n += take
		}
		return n == len(p), nil
	}, &w.writeBy)
	w.mu.Lock()
	for {
		line, rest, ok := strings.Cut(string(w.toDev), "\n")
		if !ok {
			break
		}
		lines = append(lines, line)
		w.toDev = []byte(rest)
	}
	w.mu.Unlock()
	if w.device != nil {
		for _, line := range lines {
			w.device(w, line)
		}
	}
	return n, err
}

// wait tries until ready, the deadline or the end.
func (w *wire) wait(ready func() (bool, error), by *time.Time) error {
	for {
		w.mu.Lock()
		if w.closed {
			w.mu.Unlock()
			return net.ErrClosed
		}
		if !by.IsZero() && !time.Now().Before(*by) {
			w.mu.Unlock()
			return os.ErrDeadlineExceeded
		}
		if ok, err := ready(); ok {
			w.mu.Unlock()
			return err
		}
		changed, timeout := w.changed, (<-chan time.Time)(nil)
		if !by.IsZero() {
			timeout = time.After(time.Until(*by))
		}
		w.mu.Unlock()
		select {
		case <-changed:
		case <-timeout:
		}
	}
}

// Queued is what the computer holds back.
func (w *wire) Queued() int { return w.held }

func (w *wire) Waiting() (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.toLink), nil
}

func (w *wire) Close() error {
	w.change(func() { w.closed = true })
	return nil
}

func (w *wire) SetReadDeadline(t time.Time) error {
	w.change(func() { w.readBy = t })
	return nil
}

func (w *wire) SetWriteDeadline(t time.Time) error {
	w.change(func() { w.writeBy = t })
	return nil
}

// bench opens wires to one device, one after the other.
type bench struct {
	device func(*wire, string)
	fail   func(n int) error // asked before the n-th opening, from 1

	mu     sync.Mutex
	wires  []*wire
	opened int
}

func (b *bench) open(context.Context) (Port, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.opened++
	if b.fail != nil {
		if err := b.fail(b.opened); err != nil {
			return nil, err
		}
	}
	w := newWire(b.device)
	b.wires = append(b.wires, w)
	return w, nil
}

func (b *bench) last() *wire {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.wires[len(b.wires)-1]
}

// pass lets virtual time pass.
func pass(d time.Duration) { <-time.After(d) }

// openings is how often the device was opened, failures too.
func (b *bench) openings() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.opened
}

// received is all that the device got, over all connections.
func (b *bench) received() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	var all strings.Builder
	for _, w := range b.wires {
		all.WriteString(w.received())
	}
	return all.String()
}

const (
	onTCP    = "tcp://192.0.2.7:5025"
	onSerial = "serial:///dev/ttyTEST?baud=9600"
)

// dial opens a link to a device in memory; the test has to run in a bubble.
func dial(t *testing.T, address string, o Options, device func(*wire, string)) (*Link, *bench) {
	t.Helper()
	b := &bench{device: device}
	return dialBench(t, address, o, b), b
}

func dialBench(t *testing.T, address string, o Options, b *bench) *Link {
	t.Helper()
	o.Name, o.Open = "bus", b.open
	l, err := Dial(context.Background(), address, o)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, l.Close()) })
	return l
}

// echo answers what begins with Q by the same with A, and tokens.
func echo(w *wire, line string) {
	if reply, ok := answerTo(line); ok {
		w.say(0, reply+"\n")
	}
}

func answerTo(line string) (string, bool) {
	if rest, ok := strings.CutPrefix(line, "Q"); ok {
		return "A" + rest, true
	}
	if token, ok := strings.CutPrefix(line, "TOKEN "); ok {
		return token, true
	}
	return "", false
}
