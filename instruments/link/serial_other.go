//go:build !linux

package link

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"go.bug.st/serial"
)

// serialPort is a port of the library with a deadline for reads. A write has
// none, since the library cannot give it one.
type serialPort struct {
	serial.Port
	lock *portLock

	mu     sync.Mutex
	until  time.Time
	closed bool
}

// slice is how long one read of the library lasts: so late may a deadline that
// was moved be noticed.
const slice = 20 * time.Millisecond

func openSerial(ctx context.Context, device string, line Line, lockDir string) (Port, error) {
	if line.Flow != "none" {
		return nil, fmt.Errorf("%s: flow control is not available on this system", device)
	}
	lock, err := lockPort(lockDir, device)
	if err != nil {
		return nil, err
	}
	mode := &serial.Mode{
		BaudRate:          line.Baud,
		DataBits:          line.Bits,
		Parity:            map[string]serial.Parity{"none": serial.NoParity, "even": serial.EvenParity, "odd": serial.OddParity}[line.Parity],
		StopBits:          map[int]serial.StopBits{1: serial.OneStopBit, 2: serial.TwoStopBits}[line.Stop],
		InitialStatusBits: &serial.ModemOutputBits{DTR: line.DTR != "off", RTS: line.RTS != "off"},
	}
	lib, err := serial.Open(device, mode)
	if err != nil {
		lock.release()
		return nil, fmt.Errorf("open %s: %w", device, err)
	}
	p := &serialPort{Port: lib, lock: lock}
	if err := errors.Join(lib.SetReadTimeout(slice), sleep(ctx, line.Settle), lib.ResetInputBuffer()); err != nil {
		p.Close()
		return nil, fmt.Errorf("%s: %w", device, err)
	}
	return p, nil
}

func (p *serialPort) Read(b []byte) (int, error) {
	for {
		p.mu.Lock()
		until, closed := p.until, p.closed
		p.mu.Unlock()
		if closed {
			return 0, os.ErrClosed
		}
		if !until.IsZero() && !time.Now().Before(until) {
			return 0, os.ErrDeadlineExceeded
		}
		if n, err := p.Port.Read(b); n > 0 || err != nil {
			return n, err
		}
	}
}

func (p *serialPort) SetReadDeadline(t time.Time) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.until = t
	return nil
}

func (p *serialPort) SetWriteDeadline(time.Time) error { return nil }

func (p *serialPort) Drop() error {
	return errors.Join(p.ResetOutputBuffer(), p.Close())
}

func (p *serialPort) Close() error {
	p.mu.Lock()
	p.closed = true
	p.mu.Unlock()
	err := p.Port.Close()
	p.lock.release()
	return err
}
