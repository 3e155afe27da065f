//go:build linux

// Package pty opens pseudo-terminals, so that a simulated instrument can be
// reached like a real one behind a serial port.
package pty

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"
)

// Terminal is the instrument's end of a pseudo-terminal. Its reads and writes
// have deadlines.
//
// It keeps the client's end open too: otherwise reading would end with an error
// each time the last client closes the port. For the same reason bytes that
// nobody read wait for the next client, as they do in an adapter.
type Terminal struct {
	*os.File
	client *os.File // kept open
	raw    syscall.RawConn
}

// Open makes a pseudo-terminal in raw mode and returns the instrument's end and
// the path under which a client opens it. Closing the Terminal is like pulling
// the cable out: the path goes away, and reading ends for clients.
func Open() (*Terminal, string, error) {
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, "", fmt.Errorf("make a pseudo-terminal: %w", err)
	}
	client, path, err := connect(fd)
	if err != nil {
		unix.Close(fd)
		return nil, "", fmt.Errorf("make a pseudo-terminal: %w", err)
	}
	t := &Terminal{File: os.NewFile(uintptr(fd), path), client: os.NewFile(uintptr(client), path)}
	if t.raw, err = t.client.SyscallConn(); err != nil {
		t.Close()
		return nil, "", fmt.Errorf("make a pseudo-terminal: %w", err)
	}
	return t, path, nil
}

func connect(master int) (client int, path string, err error) {
	if err := unix.IoctlSetPointerInt(master, unix.TIOCSPTLCK, 0); err != nil {
		return -1, "", fmt.Errorf("unlock: %w", err)
	}
	number, err := unix.IoctlGetUint32(master, unix.TIOCGPTN)
	if err != nil {
		return -1, "", fmt.Errorf("ask for its number: %w", err)
	}
	path = "/dev/pts/" + strconv.Itoa(int(number))
	client, err = unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_CLOEXEC, 0)
	if err != nil {
		return -1, "", fmt.Errorf("open %s: %w", path, err)
	}
	if err := raw(client); err != nil {
		unix.Close(client)
		return -1, "", fmt.Errorf("raw mode: %w", err)
	}
	return client, path, nil
}

func raw(fd int) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return err
	}
	t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	return unix.IoctlSetTermios(fd, unix.TCSETS, t)
}

// Read also lifts the exclusive mode that a client may have set, which would
// outlive a killed one and keep the next out.
func (t *Terminal) Read(p []byte) (int, error) {
	n, err := t.File.Read(p)
	if err != nil {
		return n, err
	}
	var failed error
	err = t.raw.Control(func(fd uintptr) { failed = unix.IoctlSetInt(int(fd), unix.TIOCNXCL, 0) })
	return n, errors.Join(err, failed)
}

// Close hangs up.
func (t *Terminal) Close() error {
	return errors.Join(t.File.Close(), t.client.Close())
}
