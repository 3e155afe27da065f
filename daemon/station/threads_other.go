//go:build !linux

package station

import "runtime"

// runSoon does nothing where the system has no time slices that a thread can ask for.
func runSoon() {}

// standBack ties the calling goroutine to a thread of its own until it ends.
func standBack() { runtime.LockOSThread() }
