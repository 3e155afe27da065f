// Package dialecttest stands in for an instrument at the end of a link: in memory for virtual time, or on a real TCP port. It
// loses, garbles and delays on demand.
package dialecttest

import (
	"bytes"
	"context"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"benchwarden/instruments/dialect"
	"benchwarden/instruments/link"
	"benchwarden/instruments/scpi"
)

// Talk is one connection's side of the instrument: it carries out one message and answers, nil for nothing.
type Talk interface{ Execute(message []byte) []byte }

// Fault is what goes wrong with one message.
type Fault struct {
	LoseMessage bool   // it never arrives
	LoseAnswer  bool   // it is carried out, the answer is lost
	Answer      string // is answered instead
	Late        time.Duration
}

// Instrument serves Talk to any number of connections. Its zero Fault does nothing.
type Instrument struct {
	New func() Talk
	EOL string // "\n" if empty
	// Fault is asked before the n-th message, from 1, counted over all connections.
	Fault func(n int, message string) Fault

	mu   sync.Mutex
	sent []string
	wg   sync.WaitGroup
}

// OfDevice serves a SCPI device.
func OfDevice(d *scpi.Device) *Instrument {
	return &Instrument{New: func() Talk { return d.NewSession() }}
}

// TalkFunc is a Talk that is a function.
type TalkFunc func(message []byte) []byte

// Execute calls f.
func (f TalkFunc) Execute(message []byte) []byte { return f(message) }

// Sent are the messages that arrived, or were lost on their way, in order.
func (i *Instrument) Sent() []string {
	i.mu.Lock()
	defer i.mu.Unlock()
	return append([]string(nil), i.sent...)
}

// Forget empties Sent.
func (i *Instrument) Forget() {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.sent = nil
}

// Open is for link.Options: a connection in memory, which works in virtual time.
func (i *Instrument) Open(context.Context) (link.Port, error) {
	ours, theirs := net.Pipe()
	i.wg.Go(func() { i.serve(theirs) })
	return ours, nil
}

// Listen serves on a TCP port until the test ends and returns its address for a link.
func (i *Instrument) Listen(t testing.TB) (address string) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	var mu sync.Mutex
	var open []net.Conn
	i.wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			mu.Lock()
			open = append(open, c)
			mu.Unlock()
			i.wg.Go(func() { i.serve(c) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		mu.Lock()
		for _, c := range open {
			c.Close()
		}
		mu.Unlock()
		i.wg.Wait()
	})
	return "tcp://" + l.Addr().String()
}

// serve takes messages in while one is carried out, as a socket's buffer does.
func (i *Instrument) serve(c net.Conn) {
	const buffered = 1024
	arrived := make(chan []byte, buffered)
	i.wg.Go(func() {
		defer close(arrived)
		for {
			chunk := make([]byte, 4096)
			n, err := c.Read(chunk)
			if n > 0 {
				arrived <- chunk[:n]
			}
			if err != nil {
				return
			}
		}
	})
	defer func() {
		c.Close()
		for range arrived { // until the reader has ended
		}
	}()
	talk := i.New()
	var buf []byte
	for chunk := range arrived {
		buf = append(buf, chunk...)
		for message, rest, ok := i.split(buf); ok; message, rest, ok = i.split(buf) {
			buf = rest
			if !i.handle(c, talk, message) {
				return
			}
		}
	}
}

func (i *Instrument) split(buf []byte) (message, rest []byte, ok bool) {
	if i.EOL == "" {
		return scpi.SplitMessage(buf)
	}
	return bytes.Cut(buf, []byte(i.EOL))
}

func (i *Instrument) handle(c net.Conn, talk Talk, message []byte) bool {
	i.mu.Lock()
	i.sent = append(i.sent, string(message))
	n := len(i.sent)
	i.mu.Unlock()
	var f Fault
	if i.Fault != nil {
		f = i.Fault(n, string(message))
	}
	if f.LoseMessage {
		return true
	}
	answer := talk.Execute(message)
	if f.Late > 0 {
		<-time.After(f.Late)
	}
	if f.LoseAnswer {
		return true
	}
	if f.Answer != "" {
		answer = []byte(f.Answer)
	}
	if answer == nil {
		return true
	}
	eol := i.EOL
	if eol == "" {
		eol = "\n"
	}
	_, err := c.Write(append(bytes.Clone(answer), eol...))
	return err == nil
}

// Ours loads one of the project's dialect files for a package three directories below the root.
func Ours(t testing.TB, name string) *dialect.Dialect {
	d, err := dialect.LoadNamed([]string{"../../configs/dialects"}, name)
	require.NoError(t, err)
	return d
}

// Session opens a session over a real TCP port and closes it with the test.
func Session(t testing.TB, name string, d *dialect.Dialect, i *Instrument) *dialect.Session {
	s, err := dialect.Open(t.Context(), name, d, i.Listen(t), link.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { s.Close() })
	i.Forget()
	return s
}
