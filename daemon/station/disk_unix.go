//go:build unix

package station

import "golang.org/x/sys/unix"

// freeIn is how many bytes an ordinary user may still write to the disk under a folder; not known where it cannot be asked.
func freeIn(dir string) (bytes uint64, known bool) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, false
	}
	return s.Bavail * uint64(s.Bsize), true
}
