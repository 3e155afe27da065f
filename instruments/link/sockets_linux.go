package link

import (
	"syscall"
	"time"

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

// bytesWaiting is how many bytes a descriptor can give at once.
func bytesWaiting(fd uintptr) int {
	n, err := unix.IoctlGetInt(int(fd), unix.TIOCINQ)
	if err != nil {
		return 0 // the next read tells what is wrong
	}
	return n
}
