package link

import (
	"context"
	"errors"
	"fmt"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// serialPort is a terminal device with a non-blocking descriptor, so that the
// runtime's poller gives it deadlines.
type serialPort struct {
	*os.File
	raw     syscall.RawConn
	lock    *portLock
	waiting int
	count   func(fd uintptr)
}

// openSerial locks a serial port, opens and configures it, waits until the
// device behind it has settled, and throws away what arrived by then.
func openSerial(ctx context.Context, device string, line Line, lockDir string) (Port, error) {
	lock, err := lockPort(lockDir, device)
	if err != nil {
		return nil, err
	}
	p, err := openTerminal(device, line)
	if err != nil {
		lock.release()
		return nil, err
	}
	p.lock = lock
	if err := sleep(ctx, line.Settle); err != nil {
		p.Close()
		return nil, fmt.Errorf("%s: the device needs %v after opening: %w", device, line.Settle, err)
	}
	if err := p.flush(unix.TCIFLUSH); err != nil {
		p.Close()
		return nil, fmt.Errorf("%s: throw away old input: %w", device, err)
	}
	return p, nil
}

func openTerminal(device string, line Line) (*serialPort, error) {
	fd, err := unix.Open(device, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, explainOpen(device, err)
	}
	if err := configure(fd, line); err != nil {
		unix.Close(fd)
		return nil, fmt.Errorf("%s: %w", device, err)
	}
	p := &serialPort{File: os.NewFile(uintptr(fd), device)}
	if p.raw, err = p.SyscallConn(); err != nil {
		p.File.Close()
		return nil, err
	}
	p.count = func(fd uintptr) { p.waiting = bytesWaiting(fd) }
	return p, nil
}

func explainOpen(device string, err error) error {
	switch {
	case errors.Is(err, unix.ENOENT), errors.Is(err, unix.ENXIO), errors.Is(err, unix.ENODEV):
		return fmt.Errorf("%s is not there: is the adapter plugged in and powered? (%w)", device, err)
	case errors.Is(err, unix.EACCES):
		return fmt.Errorf("%s: no permission: is this user in the group that owns serial ports (often dialout)? (%w)", device, err)
	case errors.Is(err, unix.EBUSY):
		return fmt.Errorf("%s: another program has opened it for itself alone: %w", device, ErrBusy)
	}
	return fmt.Errorf("open %s: %w", device, err)
}

// configure sets a terminal to raw bytes at the line's settings, and reads them
// back, since a driver may refuse in silence (a pseudo-terminal has no parity).
func configure(fd int, line Line) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
	if err != nil {
		return fmt.Errorf("is not a serial port: %w", err)
	}
	t.Iflag = unix.IGNPAR
	t.Oflag = 0
	t.Lflag = 0
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	want := controlFlags(line)
	t.Cflag = want | unix.BOTHER | unix.BOTHER<<unix.IBSHIFT
	t.Ispeed, t.Ospeed = uint32(line.Baud), uint32(line.Baud)
	if line.Flow == "xon" {
		t.Iflag |= unix.IXON | unix.IXOFF
	}
	if err := unix.IoctlSetTermios(fd, unix.TCSETS2, t); err != nil {
		return fmt.Errorf("does not take %+v: %w", line, err)
	}
	got, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
	if err != nil {
		return fmt.Errorf("read the line settings back: %w", err)
	}
	const format = unix.CSIZE | unix.PARENB | unix.PARODD | unix.CSTOPB | unix.CRTSCTS
	if got.Cflag&format != want&format {
		return fmt.Errorf("this port cannot do %d data bits, parity %s, %d stop bits, flow control %s",
			line.Bits, line.Parity, line.Stop, line.Flow)
	}
	if off := int(got.Ospeed) - line.Baud; off*50 > line.Baud || off*50 < -line.Baud {
		return fmt.Errorf("this port cannot do %d baud, the nearest it has is %d", line.Baud, got.Ospeed)
	}
	if err := setModemLines(fd, line); err != nil {
		return err
	}
	return claim(fd)
}

// controlFlags leaves HUPCL out, so that closing the port does not drop DTR and
// reset the board behind it.
func controlFlags(line Line) uint32 {
	flags := uint32(unix.CREAD | unix.CLOCAL)
	flags |= [...]uint32{unix.CS5, unix.CS6, unix.CS7, unix.CS8}[line.Bits-5]
	switch line.Parity {
	case "even":
		flags |= unix.PARENB
	case "odd":
		flags |= unix.PARENB | unix.PARODD
	}
	if line.Stop == 2 {
		flags |= unix.CSTOPB
	}
	if line.Flow == "rts" {
		flags |= unix.CRTSCTS
	}
	return flags
}

func setModemLines(fd int, line Line) error {
	for _, l := range []struct {
		name, setting string
		bit           int
	}{{"DTR", line.DTR, unix.TIOCM_DTR}, {"RTS", line.RTS, unix.TIOCM_RTS}} {
		if l.setting == "" {
			continue
		}
		request := uint(unix.TIOCMBIC)
		if l.setting == "on" {
			request = unix.TIOCMBIS
		}
		if err := unix.IoctlSetPointerInt(fd, request, l.bit); err != nil {
			return fmt.Errorf("cannot switch %s %s: %w", l.name, l.setting, err)
		}
	}
	return nil
}

// claim keeps programs of ordinary users off the port while it is open. Not on
// a pseudo-terminal: there the claim outlives a killed process for as long as
// the other end is open.
func claim(fd int) error {
	var st unix.Stat_t
	if err := unix.Fstat(fd, &st); err != nil {
		return err
	}
	if major := unix.Major(st.Rdev); major >= 136 && major <= 143 { // Unix98 pseudo-terminals (Linux devices.txt)
		return nil
	}
	return unix.IoctlSetInt(fd, unix.TIOCEXCL, 0)
}

func (p *serialPort) flush(queue int) error {
	var failed error
	err := p.raw.Control(func(fd uintptr) { failed = unix.IoctlSetInt(int(fd), unix.TCFLSH, queue) })
	return errors.Join(err, failed)
}

// Queued is how many bytes have not left for the line.
func (p *serialPort) Queued() int { return outputQueue(p.raw, unix.TIOCOUTQ) }

func (p *serialPort) Waiting() (int, error) {
	err := p.raw.Control(p.count)
	return p.waiting, err
}

// Drop throws away what has not left yet, then closes.
func (p *serialPort) Drop() error {
	flushed := p.flush(unix.TCOFLUSH)
	return errors.Join(flushed, p.Close())
}

func (p *serialPort) Close() error {
	err := p.File.Close()
	p.lock.release()
	return err
}
