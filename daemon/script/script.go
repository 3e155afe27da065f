// Package script runs test scripts: Starlark files that read like a technician's procedure.
//
// A script has no input or output of its own. It sees the drive family's data, the bench through Rig, and quantities
// with units; what it switches, sets and asks goes through the bench's ceilings, the warden and the hands desk.
package script

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"

	"go.starlark.net/starlark"
	"go.starlark.net/syntax"

	"benchwarden/daemon/drive"
)

// Script is a test script that was read and is known to be well formed.
type Script struct {
	File   string // as given
	Title  string
	Stage  drive.Stage
	Roles  []string // the roles it needs on the bench
	Checks []string // the checks it makes, by name
	SHA256 string   // of Text

	source  []byte
	program *starlark.Program
	modules []loaded // what it loads, each behind what it loads itself
}

// stages are the stages that a script can belong to, in the order of the job.
var stages = []drive.Stage{drive.Cold, drive.Rails, drive.Board, drive.Fitted, drive.Soak}

var fileOptions = &syntax.FileOptions{Set: true, GlobalReassign: false, TopLevelControl: false}

// Read reads a script and what it states of itself: title, stage, roles, checks. Its errors name file and line.
func Read(path string) (*Script, error) {
	source, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("script %s: %w", path, errors.Unwrap(err))
	}
	return Parse(path, source)
}

// Find returns the path of a script named with or without its folder and ending.
func Find(folders []string, name string) (string, error) {
	if strings.ContainsRune(name, filepath.Separator) || fileExists(name) {
		return name, nil
	}
	file := strings.TrimSuffix(name, ".star") + ".star"
	var known []string
	for _, folder := range folders {
		path := filepath.Join(folder, file)
		if fileExists(path) {
			return path, nil
		}
		found, err := filepath.Glob(filepath.Join(folder, "*.star"))
		if err != nil {
			return "", err
		}
		for _, f := range found {
			known = append(known, strings.TrimSuffix(filepath.Base(f), ".star"))
		}
	}
	sort.Strings(known)
	return "", fmt.Errorf("script %s: there is no such script; there are %s", name, strings.Join(slices.Compact(known), ", "))
}

func fileExists(path string) bool {
	info, err := os.Stat(path)
	return err == nil && !info.IsDir()
}

// Parse is Read for source that is in memory already.
func Parse(path string, source []byte) (*Script, error) {
	names := predeclared(nil)
	_, program, err := starlark.SourceProgramOptions(fileOptions, path, source, names.Has)
	if err != nil {
		return nil, plainError(err)
	}
	s := &Script{File: path, source: source, program: program}
	if err := s.loads(program, nil); err != nil {
		return nil, err
	}
	sum := sha256.Sum256([]byte(s.Text()))
	s.SHA256 = hex.EncodeToString(sum[:])
	globals, err := s.globals(&starlark.Thread{Name: path}, names)
	if err != nil {
		return nil, plainError(err)
	}
	return s, s.readStatements(globals)
}

func (s *Script) readStatements(globals starlark.StringDict) error {
	var faults []string
	text := func(name string) string {
		v, ok := starlark.AsString(globals[name])
		if globals[name] == nil || !ok || v == "" {
			faults = append(faults, fmt.Sprintf(`%s is missing: state %s = "..."`, name, name))
		}
		return v
	}
	list := func(name string) []string {
		l, ok := globals[name].(*starlark.List)
		if !ok {
			faults = append(faults, fmt.Sprintf(`%s is missing: state %s = ["...", ...]`, name, name))
			return nil
		}
		var out []string
		for v := range l.Elements() {
			t, ok := starlark.AsString(v)
			if !ok {
				faults = append(faults, fmt.Sprintf("%s holds %s, which is no text", name, v))
			}
			out = append(out, t)
		}
		return out
	}
	s.Title, s.Stage = text("title"), drive.Stage(text("stage"))
	s.Roles, s.Checks = list("roles"), list("checks")
	if !slices.Contains(stages, s.Stage) && s.Stage != "" {
		faults = append(faults, fmt.Sprintf("stage %q is none of %v", s.Stage, stages))
	}
	for _, function := range []string{"run", "energises"} {
		if f, ok := globals[function].(*starlark.Function); !ok || f.NumParams() != 1 {
			faults = append(faults, fmt.Sprintf("def %s(drive) is missing", function))
		}
	}
	if len(faults) > 0 {
		return fmt.Errorf("script %s: %s", s.File, strings.Join(faults, "; "))
	}
	return nil
}

// plainError gives a Starlark error as "file:line:column: what", with the way there when it happened inside functions.
func plainError(err error) error {
	var eval *starlark.EvalError
	if errors.As(err, &eval) {
		at := ""
		for _, frame := range slices.Backward(eval.CallStack) {
			if frame.Pos.Filename() != "<builtin>" {
				at = frame.Pos.String() + ": "
				break
			}
		}
		return &runError{at: at, err: eval.Unwrap(), text: eval.Msg}
	}
	return err
}

type runError struct {
	at, text string
	err      error
}

func (e *runError) Error() string { return e.at + e.text }
func (e *runError) Unwrap() error { return e.err }
