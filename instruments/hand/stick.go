package hand

import (
	"cmp"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// stick is the folder into which a person's scope exports its files. A file is taken once, and only when it was written after it
// was asked for: an old export is never taken for a new one.
type stick struct {
	folder string
	asked  time.Time
	there  map[string]stamp  // the files that were there when it was asked
	used   map[string]string // by hash, the name under which it was taken
}

type stamp struct {
	size int64
	time time.Time
}

func newStick(folder string) *stick { return &stick{folder: folder, used: map[string]string{}} }

// coarse is how far a memory stick's times may be rounded down (practice: FAT keeps every second second).
const coarse = 2 * time.Second

// mostBytes is more than a million points of four channels take as text.
const mostBytes = 256 << 20

// unfit says why a file does not serve; the person is asked again.
type unfit struct{ text string }

func (u *unfit) Error() string { return u.text }

func unfitf(format string, args ...any) error { return &unfit{fmt.Sprintf(format, args...)} }

// look remembers what is there now.
func (s *stick) look() {
	s.asked, s.there = time.Now(), map[string]stamp{}
	for _, f := range s.files() {
		s.there[f.name] = f.stamp
	}
}

type found struct {
	name string
	stamp
}

// files are those of the folder, the newest first; a stick that is not plugged in has none.
func (s *stick) files() []found {
	var all []found
	_ = filepath.WalkDir(s.folder, func(path string, d fs.DirEntry, err error) error { // what cannot be read is not there
		if err != nil || d.IsDir() {
			return nil
		}
		if info, err := d.Info(); err == nil {
			if name, err := filepath.Rel(s.folder, path); err == nil {
				all = append(all, found{name, stamp{info.Size(), info.ModTime()}})
			}
		}
		return nil
	})
	slices.SortFunc(all, func(a, b found) int { return cmp.Or(b.time.Compare(a.time), cmp.Compare(a.name, b.name)) })
	return all
}

// newest names some files of the folder.
func (s *stick) newest() string {
	var names []string
	for _, f := range s.files() {
		if names = append(names, f.name); len(names) == 4 {
			break
		}
	}
	if len(names) == 0 {
		return "there is no file in " + s.folder + ": is the stick plugged in, and mounted there?"
	}
	return "the newest in " + s.folder + ": " + strings.Join(names, ", ")
}

// names are the files that an answer names, separated by commas where each channel has a file of its own.
func (s *stick) names(answer string) ([]string, error) {
	var names []string
	for name := range strings.SplitSeq(answer, ",") {
		name = strings.TrimSpace(name)
		if full := strings.TrimPrefix(name, filepath.Clean(s.folder)+string(filepath.Separator)); full != name {
			name = full
		}
		switch {
		case name == "":
			return nil, unfitf("no file was named; %s", s.newest())
		case !filepath.IsLocal(name):
			return nil, unfitf("%s does not lie in %s; %s", name, s.folder, s.newest())
		case slices.Contains(names, name):
			return nil, unfitf("%s is named twice", name)
		}
		names = append(names, name)
	}
	return names, nil
}

// fresh reads nothing yet: it says whether the file of that name was written since it was asked for.
func (s *stick) fresh(name string) (path string, err error) {
	path = filepath.Join(s.folder, name)
	info, err := os.Stat(path)
	before, wasThere := s.there[name]
	switch {
	case err != nil:
		return "", unfitf("there is no file %s; %s", name, s.newest())
	case !info.Mode().IsRegular():
		return "", unfitf("%s is no file; %s", name, s.newest())
	case info.Size() > mostBytes:
		return "", unfitf("%s has %d MB, more than the %d MB that are read: export fewer points", name, info.Size()>>20, mostBytes>>20)
	case wasThere && before == stamp{info.Size(), info.ModTime()}:
		return "", unfitf("%s was there before it was asked for: an old export", name)
	case info.ModTime().Before(s.asked.Add(-coarse)):
		return "", unfitf("%s was written at %s, before it was asked for at %s: an old export, or the scope's clock is slow: set it", name, clock(info.ModTime()), clock(s.asked))
	case info.ModTime().After(time.Now().Add(coarse)):
		return "", unfitf("%s was written at %s by its own time, and it is %s: set the scope's clock, an old file could be taken for a new one", name, clock(info.ModTime()), clock(time.Now()))
	}
	return path, nil
}

func clock(t time.Time) string { return t.Local().Format("2006-01-02 15:04:05") }
