package drive

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"benchwarden/instruments/datafile"
)

// Load reads a family file. A file with faults is refused with all of them, each with file, line and key
// (datafile.Faults).
func Load(path string) (*Family, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("family file: %w", err)
	}
	return Decode(path, data)
}

// Decode reads a family from the bytes of a file; name stands in the faults.
func Decode(name string, data []byte) (*Family, error) {
	f := &Family{path: name}
	doc, err := datafile.Decode(name, data, f)
	if err != nil {
		return nil, err
	}
	if faults := f.faults(doc); len(faults) > 0 {
		return nil, faults
	}
	sum := sha256.Sum256(data)
	f.hash, f.text = hex.EncodeToString(sum[:]), string(data)
	return f, nil
}

// ErrUnknownFamily is the cause when no file of that name is found.
var ErrUnknownFamily = errors.New("unknown drive family")

// LoadNamed reads the family of that name from the first of the directories that has it. The error for a name that none
// has gives the near miss and all names.
func LoadNamed(dirs []string, name string) (*Family, error) {
	if name == "" || strings.ContainsAny(name, `/\`) {
		return nil, fmt.Errorf("%w %q: a family is given by its name, without directory and ending", ErrUnknownFamily, name)
	}
	for _, dir := range dirs {
		path := filepath.Join(dir, name+ending)
		f, err := Load(path)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if f.Name != name {
			return nil, fmt.Errorf("%s: family: says %q, but the file's name says %q; make them the same", path, f.Name, name)
		}
		return f, nil
	}
	return nil, unknown(dirs, name)
}

func unknown(dirs []string, name string) error {
	names, err := Names(dirs)
	if err != nil {
		return fmt.Errorf("%w %q: %w", ErrUnknownFamily, name, err)
	}
	if len(names) == 0 {
		return fmt.Errorf("%w %q: no family files in %s", ErrUnknownFamily, name, strings.Join(dirs, ", "))
	}
	hint := ""
	if near := datafile.Nearest(name, names); near != "" {
		hint = fmt.Sprintf(", did you mean %q?", near)
	}
	return fmt.Errorf("%w %q%s (known: %s)", ErrUnknownFamily, name, hint, strings.Join(names, ", "))
}

const ending = ".yaml"

// Names lists the families that the directories have files for, sorted. A directory that does not exist has none.
func Names(dirs []string) ([]string, error) {
	var names []string
	for _, dir := range dirs {
		entries, err := os.ReadDir(dir)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("family files: %w", err)
		}
		for _, e := range entries {
			if name, ok := strings.CutSuffix(e.Name(), ending); ok && !e.IsDir() {
				names = append(names, name)
			}
		}
	}
	slices.Sort(names)
	return slices.Compact(names), nil
}
