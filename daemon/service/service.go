// Package service tells the service manager how the daemon is: ready, alive, stopping.
//
// It speaks the notification protocol of sd_notify(3): datagrams of NAME=value lines to the socket that NOTIFY_SOCKET names.
package service

import (
	"errors"
	"fmt"
	"net"
	"os"
	"strconv"
	"sync"
	"time"
)

// Manager is the service manager. A nil Manager is none: what is told to it goes nowhere.
type Manager struct {
	conn  *net.UnixConn
	every time.Duration // between two signs of life; 0: none are wanted

	mu    sync.Mutex
	beats map[int]bool // benches whose warden has beaten since the last sign of life
	count int
	last  time.Time
}

// Connect finds the service manager by its environment; nil where there is none.
func Connect() (*Manager, error) { return connect(os.Getenv, os.Getpid()) }

func connect(getenv func(string) string, pid int) (*Manager, error) {
	path := getenv("NOTIFY_SOCKET")
	if path == "" {
		return nil, nil
	}
	if path[0] == '@' { // an abstract socket
		path = "\x00" + path[1:]
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		return nil, fmt.Errorf("service manager: %w", err)
	}
	m := &Manager{conn: conn, beats: map[int]bool{}}
	if text := getenv("WATCHDOG_USEC"); text != "" && (getenv("WATCHDOG_PID") == "" || getenv("WATCHDOG_PID") == strconv.Itoa(pid)) {
		usec, err := strconv.ParseInt(text, 10, 64)
		if err != nil || usec <= 0 {
			return nil, errors.Join(fmt.Errorf("service manager: WATCHDOG_USEC=%s is no time in microseconds", text), conn.Close())
		}
		m.every = time.Duration(usec) * time.Microsecond / 3
	}
	return m, nil
}

func (m *Manager) tell(text string) error {
	if m == nil {
		return nil
	}
	if err := m.conn.SetWriteDeadline(time.Now().Add(100 * time.Millisecond)); err != nil {
		return err
	}
	_, err := m.conn.Write([]byte(text))
	return err
}

// Ready tells that so many benches are safe and served.
func (m *Manager) Ready(benches int) error {
	if m == nil {
		return nil
	}
	m.mu.Lock()
	m.count = benches
	m.mu.Unlock()
	return m.tell(fmt.Sprintf("READY=1\nSTATUS=%d benches are served", benches))
}

// Stopping tells that the benches are being made safe for the last time, and that no more signs of life are to be expected.
func (m *Manager) Stopping() error {
	return m.tell("STOPPING=1\nSTATUS=the benches are being made safe")
}

// Beat is called by the warden's own loop of a bench. A sign of life is sent once every bench has beaten, as often as the manager
// wants it: one that hangs keeps it away.
func (m *Manager) Beat(bench int) {
	if m == nil || m.every == 0 {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.beats[bench] = true
	if m.count == 0 || len(m.beats) < m.count || time.Since(m.last) < m.every {
		return
	}
	clear(m.beats)
	m.last = time.Now()
	_ = m.tell("WATCHDOG=1") // a manager that does not hear it acts, and that is its task
}

// Farewell tells that a bench has ended: no more is to be expected from its warden.
func (m *Manager) Farewell(bench int) {
	if m == nil {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.count = 0
}

// Close ends the connection.
func (m *Manager) Close() error {
	if m == nil {
		return nil
	}
	return m.conn.Close()
}
