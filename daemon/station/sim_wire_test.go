package station

import (
	"io"
	"os"
	"sync"
	"time"
)

// wire is one connection to an instrument in memory. Bytes that are written have left, as on a socket with a buffer: nothing waits
// for the other side.
type wire struct {
	mu       sync.Mutex
	answers  []byte // on their way to the program
	lines    chan string
	partial  []byte // of a message that has no end yet
	closed   bool
	readBy   time.Time
	changed  chan struct{} // closed and replaced at each change
	ended    chan struct{} // closed with the connection
	endError error
	sent     func(line string)
	odd      time.Duration // by which its deadlines come later than they were set
}

func newWire() *wire {
	return &wire{lines: make(chan string, 1<<12), changed: make(chan struct{}), ended: make(chan struct{}), endError: io.EOF, sent: func(string) {}}
}

func (w *wire) change() {
	close(w.changed)
	w.changed = make(chan struct{})
}

func (w *wire) Read(p []byte) (int, error) {
	for {
		w.mu.Lock()
		if len(w.answers) > 0 {
			n := copy(p, w.answers)
			w.answers = w.answers[n:]
			w.mu.Unlock()
			return n, nil
		}
		closed, by, changed := w.closed, w.readBy, w.changed
		w.mu.Unlock()
		if closed {
			return 0, w.endError
		}
		if by.IsZero() {
			<-changed
			continue
		}
		left := time.Until(by)
		if left <= 0 {
			return 0, os.ErrDeadlineExceeded
		}
		timer := time.NewTimer(left)
		select {
		case <-changed:
			timer.Stop()
		case <-timer.C:
		}
	}
}

// Waiting is how many bytes can be read at once.
func (w *wire) Waiting() (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.answers), nil
}

// Queued is nothing: what is written has left.
func (w *wire) Queued() int { return 0 }

func (w *wire) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		return 0, io.ErrClosedPipe
	}
	for _, b := range p {
		if b != '\n' {
			w.partial = append(w.partial, b)
			continue
		}
		w.sent(string(w.partial))
		w.lines <- string(w.partial)
		w.partial = nil
	}
	return len(p), nil
}

func (w *wire) SetReadDeadline(at time.Time) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.readBy = at
	if at.After(time.Now()) {
		w.readBy = at.Add(w.odd)
	}
	w.change()
	return nil
}

func (w *wire) SetWriteDeadline(time.Time) error { return nil }

func (w *wire) Close() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.closed {
		w.closed = true
		close(w.ended)
		w.change()
	}
	return nil
}

// says puts bytes on their way to the program.
func (w *wire) says(text string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.closed {
		w.answers = append(w.answers, text...)
		w.change()
	}
}
