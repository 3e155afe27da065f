package simulated

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"
)

// terminal is the instrument's end of a serial line.
type terminal interface {
	Read([]byte) (int, error)
	Write([]byte) (int, error)
	SetWriteDeadline(time.Time) error
	Close() error
}

// port serves an instrument on a pseudo-terminal. Its path is a symbolic link that stays when the terminal behind it changes.
type port struct {
	instrument *instrument
	path       string // the symbolic link
	settings   string // of the link's address
	baud       int    // characters take their time at it; 0: none

	mu     sync.Mutex
	line   terminal
	away   time.Duration
	closed bool
}

// plug makes a pseudo-terminal and points path to it.
func plug(path, settings string, baud int, i *instrument) (*port, error) {
	p := &port{instrument: i, path: path, settings: settings, baud: baud}
	return p, p.plugIn()
}

func (p *port) link() string { return "serial://" + p.path + "?" + p.settings }

func (p *port) plugIn() error {
	line, device, err := openTerminal()
	if err != nil {
		return err
	}
	next := filepath.Join(filepath.Dir(p.path), "."+filepath.Base(p.path)+".next")
	if err := errors.Join(os.Symlink(device, next), os.Rename(next, p.path)); err != nil {
		line.Close()
		return fmt.Errorf("give %s its stable name: %w", device, err)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		line.Close()
	}
	p.line = line
	return nil
}

// run serves whoever opens the port, until ctx ends or close is called. A device that went away comes back under another name.
func (p *port) run(ctx context.Context) error {
	defer context.AfterFunc(ctx, p.close)()
	for {
		p.mu.Lock()
		line := p.line
		p.mu.Unlock()
		p.instrument.serve(ctx, &cable{terminal: line, port: p})
		p.mu.Lock()
		closed, away := p.closed, p.away
		p.mu.Unlock()
		if closed || ctx.Err() != nil {
			return nil
		}
		if err := os.Remove(p.path); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
		if !wait(ctx, away) {
			return nil
		}
		if err := p.plugIn(); err != nil {
			return err
		}
	}
}

func (p *port) close() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.closed = true
	p.line.Close()
	os.Remove(p.path)
}

// cable is the line while it is plugged in.
type cable struct {
	terminal
	port *port
}

// characterTime is how long a character of ten bits takes.
func (c *cable) characterTime(n int) time.Duration {
	if c.port.baud == 0 {
		return 0
	}
	return time.Duration(n) * 10 * time.Second / time.Duration(c.port.baud)
}

// Read takes as long as the line would.
func (c *cable) Read(buf []byte) (int, error) {
	n, err := c.terminal.Read(buf)
	time.Sleep(c.characterTime(n))
	return n, err
}

// Write takes as long as the line would, in pieces that a client sees arrive one after the other.
func (c *cable) Write(data []byte) (int, error) {
	const burst = 8
	written := 0
	for len(data) > 0 {
		n, err := c.terminal.Write(data[:min(burst, len(data))])
		written += n
		if err != nil {
			return written, err
		}
		time.Sleep(c.characterTime(n))
		data = data[n:]
	}
	return written, nil
}

func (c *cable) breakOff(away time.Duration) {
	c.port.mu.Lock()
	defer c.port.mu.Unlock()
	c.port.away = max(away, shortestAway)
	c.Close()
}

// shortestAway is how long a serial device is gone at least when its cable is pulled.
const shortestAway = 100 * time.Millisecond
