package script

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"go.starlark.net/starlark"
)

// loaded is a file that scripts load functions from: load("with/fitted.star", "power"). Its name is its path from the script's folder,
// which it cannot leave.
type loaded struct {
	name    string
	source  []byte
	program *starlark.Program
}

// LoadedFrom is the folder, in that of the scripts, for what scripts load; a script may load from elsewhere in its folder too.
const LoadedFrom = "with"

// CheckLoaded tells what is wrong with a file that scripts load, whether or not one does.
func CheckLoaded(path string) error {
	source, err := os.ReadFile(path)
	if err != nil {
		return fmt.Errorf("%s: %w", path, errors.Unwrap(err))
	}
	if _, _, err := starlark.SourceProgramOptions(fileOptions, path, source, predeclared(nil).Has); err != nil {
		return plainError(err)
	}
	return nil
}

// loads reads what a program loads, and what that loads, each file once.
func (s *Script) loads(program *starlark.Program, within []string) error {
	for i := range program.NumLoads() {
		name, at := program.Load(i)
		if !filepath.IsLocal(name) || filepath.Ext(name) != ".star" {
			return fmt.Errorf("%s: load(%q): give a .star file by its path from the folder of %s", at, name, s.File)
		}
		if slices.Contains(within, name) {
			return fmt.Errorf("%s: load(%q) goes round in a circle: %s", at, name, strings.Join(append(within, name), " loads "))
		}
		if slices.ContainsFunc(s.modules, func(m loaded) bool { return m.name == name }) {
			continue
		}
		path := s.path(name)
		source, err := os.ReadFile(path)
		if err != nil {
			return fmt.Errorf("%s: load(%q): %w", at, name, errors.Unwrap(err))
		}
		m := loaded{name: name, source: source}
		if _, m.program, err = starlark.SourceProgramOptions(fileOptions, path, source, predeclared(nil).Has); err != nil {
			return plainError(err)
		}
		if err := s.loads(m.program, append(slices.Clone(within), name)); err != nil {
			return err
		}
		s.modules = append(s.modules, m)
	}
	return nil
}

func (s *Script) path(loaded string) string { return filepath.Join(filepath.Dir(s.File), loaded) }

// Text is what a run is kept with: the script as it was read, and behind it each file that it loads.
func (s *Script) Text() string {
	text := string(s.source)
	for _, m := range s.modules {
		text += "\n# ---- loaded: " + m.name + "\n\n" + string(m.source)
	}
	return text
}

// globals executes what stands at the top of the script and of what it loads: statements and definitions.
func (s *Script) globals(thread *starlark.Thread, names starlark.StringDict) (starlark.StringDict, error) {
	done := map[string]starlark.StringDict{}
	thread.Load = func(_ *starlark.Thread, name string) (starlark.StringDict, error) { return done[name], nil }
	for _, m := range s.modules { // each stands behind what it loads
		globals, err := m.program.Init(thread, names)
		if err != nil {
			return nil, err
		}
		globals.Freeze()
		done[m.name] = globals
	}
	return s.program.Init(thread, names)
}
