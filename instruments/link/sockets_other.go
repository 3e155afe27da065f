//go:build !linux

package link

import (
	"syscall"
	"time"
)

const deadPeer = 4 * time.Second

func limitSilence(_, _ string, _ syscall.RawConn) error { return nil }

// unsent is not known here: what nobody tells may be some.
func unsent(syscall.RawConn) int { return 1 }

// writeNow writes nothing here: what is urgent then leaves by an ordinary write.
func writeNow(uintptr, []byte) int { return 0 }

// bytesWaiting is not known here: an answer that comes twice is then found only
// when both copies arrive together.
func bytesWaiting(uintptr) int { return 0 }
