//go:build !linux

package keeper

import (
	"errors"
	"os"
	"syscall"
	"time"
)

// errSystem: handles on processes and locks that end with them are Linux's here; without them nothing is opened.
var errSystem = errors.New("benches can be owned on Linux only: this system has no process handles that are used here")

func flock(*os.File) (bool, error)    { return false, errSystem }
func started(int) string              { return "" }
func apart() *syscall.SysProcAttr     { return nil }
func post(file *os.File, b byte) bool { return false }
func small(*os.File)                  {}

// Process is a handle on a process.
type Process struct{}

// OpenProcess is not there on this system.
func OpenProcess(int, string) (*Process, bool, error) { return nil, false, errSystem }

// End is not there on this system.
func (*Process) End(time.Duration) error { return errSystem }

// Close does nothing.
func (*Process) Close() error { return nil }
