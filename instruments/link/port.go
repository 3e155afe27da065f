package link

import (
	"context"
	"fmt"
	"io"
	"net"
	"syscall"
	"time"
)

// Port is an open connection to an instrument. net.Conn is one.
//
// Read and Write give up at their deadlines with os.ErrDeadlineExceeded; Close
// ends both. A Port may also have Waiting() (int, error), how many bytes can be
// read at once, Queued() int, how many written bytes the computer still holds,
// WriteNow([]byte) int, which writes as much as can leave without waiting, and
// Drop() error, a Close that throws away what the computer holds.
type Port interface {
	io.ReadWriteCloser
	SetReadDeadline(time.Time) error
	SetWriteDeadline(time.Time) error
}

type waiter interface{ Waiting() (int, error) }

type queuer interface{ Queued() int }

type hasty interface{ WriteNow([]byte) int }

type dropper interface{ Drop() error }

// open opens what the address names, with OpenWithin as its limit.
func (l *Link) open(ctx context.Context) (Port, error) {
	ctx, cancel := context.WithTimeout(ctx, l.options.OpenWithin)
	defer cancel()
	switch {
	case l.options.Open != nil:
		return l.options.Open(ctx)
	case l.at.Device != "":
		return openSerial(ctx, l.at.Device, l.at.Line, l.options.LockDir)
	}
	return openTCP(ctx, l.at.Host)
}

// tcpPort is a TCP connection. Nagle's algorithm is off, which is Go's default.
type tcpPort struct {
	*net.TCPConn
	raw     syscall.RawConn
	waiting int
	count   func(fd uintptr)
}

func openTCP(ctx context.Context, host string) (Port, error) {
	dialer := net.Dialer{
		Control:         limitSilence,
		KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: deadPeer, Interval: deadPeer / 4, Count: 3},
	}
	c, err := dialer.DialContext(ctx, "tcp", host)
	if err != nil {
		return nil, err
	}
	tcp := c.(*net.TCPConn)
	if err := tcp.SetNoDelay(true); err != nil {
		tcp.Close()
		return nil, err
	}
	raw, err := tcp.SyscallConn()
	if err != nil {
		tcp.Close()
		return nil, err
	}
	p := &tcpPort{TCPConn: tcp, raw: raw}
	p.count = func(fd uintptr) { p.waiting = bytesWaiting(fd) }
	return p, nil
}

func (p *tcpPort) Waiting() (int, error) {
	err := p.raw.Control(p.count)
	return p.waiting, err
}

// Queued is how many bytes have not left for the peer.
func (p *tcpPort) Queued() int { return unsent(p.raw) }

// WriteNow writes what the socket takes at once, and says how much. Why it took no more a Write tells.
func (p *tcpPort) WriteNow(b []byte) (n int) {
	_ = p.raw.Control(func(fd uintptr) { n = writeNow(fd, b) }) // of a closed one as well
	return n
}

// Drop resets the connection, so that bytes still in our buffers are never sent.
func (p *tcpPort) Drop() error {
	if err := p.SetLinger(0); err != nil {
		p.Close()
		return fmt.Errorf("reset the connection: %w", err)
	}
	return p.Close()
}

// sleep waits for a time or the context's end.
func sleep(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return nil
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}
