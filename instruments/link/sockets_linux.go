package link

import (
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// deadPeer is after how long a peer that acknowledges nothing counts as gone. An
// instrument that was switched off and on again is found sooner by a fresh
// connection than by retransmissions, which back off to minutes.
const deadPeer = 4 * time.Second

func limitSilence(_, _ string, c syscall.RawConn) error {
	var failed error
	err := c.Control(func(fd uintptr) {
		failed = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(deadPeer/time.Millisecond))
	})
	if err != nil {
		return err
	}
	return failed
}

// unsent is how many bytes of a socket have never left; those that the peer has not acknowledged have.
func unsent(c syscall.RawConn) int { return outputQueue(c, unix.SIOCOUTQNSD) }

// outputQueue asks a descriptor how many bytes it still holds.
func outputQueue(c syscall.RawConn, request uintptr) int {
	var n int32
	err := c.Control(func(fd uintptr) {
		if _, _, err := unix.RawSyscall(unix.SYS_IOCTL, fd, request, uintptr(unsafe.Pointer(&n))); err != 0 {
			n = 1 // who does not tell may hold some
		}
	})
	if err != nil {
		return 1
	}
	return int(n)
}

// writeNow writes what a descriptor that does not block takes.
func writeNow(fd uintptr, b []byte) int {
	n, err := unix.Write(int(fd), b)
	if err != nil {
		return 0
	}
	return n
}

// bytesWaiting is how many bytes a descriptor can give at once.
// The call never blocks, so the scheduler is
// not told of it.
func bytesWaiting(fd uintptr) int {
	var n int32
	if _, _, err := unix.RawSyscall(unix.SYS_IOCTL, fd, unix.TIOCINQ, uintptr(unsafe.Pointer(&n))); err != 0 {
		return 0 // the next read tells what is wrong
	}
	return int(n)
}
