package command

import (
	"io"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// cable is a TCP connection that can be cut: everything that goes over it breaks, and nothing new gets through until it is mended.
type cable struct {
	listener net.Listener
	to       string

	mu   sync.Mutex
	cut  bool
	ends []net.Conn
}

func newCable(t *testing.T, to string) *cable {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	c := &cable{listener: l, to: to}
	var serving sync.WaitGroup
	serving.Go(func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			serving.Go(func() { c.carry(near) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		c.setCut(true)
		serving.Wait()
	})
	return c
}

func (c *cable) carry(near net.Conn) {
	defer near.Close()
	far, err := net.Dial("tcp", c.to)
	if err != nil {
		return
	}
	defer far.Close()
	c.mu.Lock()
	if c.cut {
		c.mu.Unlock()
		return
	}
	c.ends = append(c.ends, near, far)
	c.mu.Unlock()
	var back sync.WaitGroup
	back.Go(func() { io.Copy(near, far); near.Close() })
	io.Copy(far, near)
	far.Close()
	back.Wait()
}

func (c *cable) setCut(cut bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.cut = cut
	if cut {
		for _, end := range c.ends {
			end.Close()
		}
		c.ends = nil
	}
}

// The cable to the bus supply is cut in the moment in which the daemon is killed: the keeper goes on trying, and the supply is off as
// soon as it can be reached.
func TestKilledWithTheCableToTheSupplyCut(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	direct := p.simulated(t, "wren")
	text, err := os.ReadFile(direct)
	require.NoError(t, err)
	address := regexp.MustCompile(`\n  bus:\n    link: tcp://(\S+)`).FindStringSubmatch(string(text))[1]
	c := newCable(t, address)
	s := serveBench(t, p, p.changed(t, direct, "link: tcp://"+address, "link: tcp://"+c.listener.Addr().String()))
	outputs := (&served{place: p, file: direct}).outputs(t)
	running := s.energised(t)
	c.setCut(true)
	s.daemon.signal(syscall.SIGKILL)
	s.daemon.ended()
	others := safeAfter(t, outputs[1:])
	require.False(t, outputs[0].isSafe(t), "nobody can reach the supply, so the test is about what it says")
	<-time.After(500 * time.Millisecond) // how long the cable stays cut is what is tried
	c.setCut(false)
	t.Logf("reference and contacts safe after %v; the supply %v after the cable was mended", others, safeAfter(t, outputs))
	s.mends(t, running)
}

// The disk is full when the daemon is killed: what the keeper has to do it does without writing anything.
func TestKilledWithAFullDisk(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	data := p.path("data")
	require.NoError(t, os.Mkdir(data, 0o700))
	if err := syscall.Mount("tmpfs", data, "tmpfs", 0, "size=96m"); err != nil {
		t.Skipf("a small file system cannot be mounted here (%v): run as root", err)
	}
	t.Cleanup(func() { require.NoError(t, syscall.Unmount(data, 0)) })
	s := serveBench(t, p, p.simulated(t, "wren"))
	outputs := s.outputs(t)
	running := s.energised(t)
	full := filepath.Join(data, "full")
	f, err := os.Create(full)
	require.NoError(t, err)
	block := make([]byte, 1<<20)
	for err == nil {
		_, err = f.Write(block)
	}
	require.ErrorIs(t, err, syscall.ENOSPC)
	require.NoError(t, f.Close())
	s.daemon.signal(syscall.SIGKILL)
	t.Logf("every output safe after %v", safeAfter(t, outputs))
	s.daemon.ended()
	require.NoError(t, os.Remove(full))
	s.mends(t, running)
}
