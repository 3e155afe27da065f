package drive

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// Change is one entry of a family's limits history: who made which limits what, and why. Entries are chained by their
// hashes, so that one cut out or rewritten shows; the last line cut off shows as a file edited by hand. Only what the last
// entry says of who and why can be rewritten unseen.
type Change struct {
	At       time.Time         `json:"at"`
	By       string            `json:"by"`
	Reason   string            `json:"reason"`
	Changed  []Changed         `json:"changed"`
	Figures  map[string]string `json:"figures"`  // all limits after the change
	Previous string            `json:"previous"` // SHA-256 of the line before, in hexadecimal; empty in the first
}

// Changed is one limit before and after. An empty text is "not given".
type Changed struct {
	Limit  string `json:"limit"` // "board.bus_voltage"
	Before string `json:"before,omitempty"`
	After  string `json:"after,omitempty"`
}

// EditedByHand is the reason in an entry for a family file that was changed without the program.
const EditedByHand = "edited by hand"

// FirstSeen is the reason in the first entry of a history.
const FirstSeen = "first seen"

// notNamed stands for the person in an entry that the program wrote by itself.
const notNamed = "not known"

// ErrHistory means that a limits history was cut or rewritten.
var ErrHistory = errors.New("the limits history is not whole")

func historyOf(family string) string { return strings.TrimSuffix(family, ending) + ".limits.jsonl" }

// History reads the limits history of a family, the oldest entry first. A chain that does not hold is an ErrHistory with
// the line where it breaks; the entries come with it all the same.
func (f *Family) History() ([]Change, error) {
	changes, _, err := readHistory(historyOf(f.path))
	return changes, err
}

func readHistory(path string) (changes []Change, last string, err error) {
	data, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, "", nil
	}
	if err != nil {
		return nil, "", fmt.Errorf("limits history: %w", err)
	}
	var broken error
	for i, line := range bytes.Split(bytes.TrimSuffix(data, []byte("\n")), []byte("\n")) {
		var c Change
		if err := json.Unmarshal(line, &c); err != nil {
			return changes, last, fmt.Errorf("%s:%d: %w: this line is no entry: %w", path, i+1, ErrHistory, err)
		}
		if c.Previous != last && broken == nil {
			broken = fmt.Errorf("%s:%d: %w: the line before it is not the one that it was written after", path, i+1, ErrHistory)
		}
		changes = append(changes, c)
		sum := sha256.Sum256(line)
		last = hex.EncodeToString(sum[:])
	}
	return changes, last, broken
}

// appendHistory writes one entry and waits until it is on the disk.
func appendHistory(path string, c Change) error {
	line, err := json.Marshal(c)
	if err != nil {
		return fmt.Errorf("limits history: %w", err)
	}
	file, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
	if err != nil {
		return fmt.Errorf("limits history: %w", err)
	}
	_, err = file.Write(append(line, '\n'))
	if err := errors.Join(err, file.Sync(), file.Close()); err != nil {
		return fmt.Errorf("limits history: %w", err)
	}
	return nil
}

// NoticeEdits holds the family's limits against the last entry of their history. Where they differ it writes an entry
// "edited by hand" with before and after, and returns that entry; nil when nothing was changed. A family without a history
// has none to be held against: its first change by SetLimits begins one.
func (f *Family) NoticeEdits(now time.Time) (*Change, error) {
	path := historyOf(f.path)
	changes, last, err := readHistory(path)
	if err != nil || len(changes) == 0 {
		return nil, err
	}
	before, stands := changes[len(changes)-1].Figures, f.figures()
	if maps.Equal(before, stands) {
		return nil, nil
	}
	c := Change{At: now.UTC(), By: notNamed, Reason: EditedByHand, Changed: differences(before, stands), Figures: stands, Previous: last}
	return &c, appendHistory(path, c)
}

func differences(before, after map[string]string) (out []Changed) {
	names := slices.AppendSeq(slices.Collect(maps.Keys(before)), maps.Keys(after))
	slices.Sort(names)
	for _, name := range slices.Compact(names) {
		if before[name] != after[name] {
			out = append(out, Changed{Limit: name, Before: before[name], After: after[name]})
		}
	}
	return out
}

// SetLimits changes limits of one stage in the family's file, for the next run. who and reason are needed; check says
// whether the changed family may be used, before anything is written. The entry stands in the history before the file is
// replaced, in one piece: after a crash between the two, the file counts as edited by hand.
func (f *Family) SetLimits(stage Stage, values map[string]string, who, reason string, now time.Time, check func(*Family) error) (*Change, error) {
	switch {
	case strings.TrimSpace(who) == "":
		return nil, errors.New("a limit is changed by a person with a name")
	case strings.TrimSpace(reason) == "":
		return nil, errors.New("a limit is changed for a reason: say which")
	case len(values) == 0:
		return nil, errors.New("no limit to change: give at least one, for example bus_voltage=95V")
	}
	if _, ok := f.Stages[stage]; !ok {
		return nil, fmt.Errorf("family %s has no stage %q", f.Name, stage)
	}
	free, err := f.alone()
	if err != nil {
		return nil, err
	}
	defer free()
	text := f.text
	for _, key := range slices.Sorted(maps.Keys(values)) {
		err := wantFigure(key, values[key])
		if err == nil {
			text, err = edit(text, stage, key, values[key])
		}
		if err != nil {
			return nil, fmt.Errorf("family %s, stage %s: %w", f.Name, stage, err)
		}
	}
	after, err := Decode(f.path, []byte(text))
	if err != nil {
		return nil, err
	}
	if err := check(after); err != nil {
		return nil, err
	}
	changed := differences(f.figures(), after.figures())
	if len(changed) == 0 {
		return nil, errors.New("nothing would change: the limits are so already")
	}
	last, err := f.upToDate(now)
	if err != nil {
		return nil, err
	}
	c := Change{At: now.UTC(), By: who, Reason: reason, Changed: changed, Figures: after.figures(), Previous: last}
	return &c, replace(f.path, text, func() error { return appendHistory(historyOf(f.path), c) })
}

// alone keeps every other program from changing the family's limits until free is called, and refuses where one has since this
// family was read: its change would be lost.
func (f *Family) alone() (free func(), err error) {
	file, err := os.OpenFile(filepath.Dir(f.path), os.O_RDONLY, 0)
	if err != nil {
		return nil, fmt.Errorf("family file: %w", err)
	}
	free = func() {
		_ = unix.Flock(int(file.Fd()), unix.LOCK_UN) // closing alone leaves the lock to a child that is just being started
		file.Close()
	}
	switch err := unix.Flock(int(file.Fd()), unix.LOCK_EX|unix.LOCK_NB); {
	case errors.Is(err, unix.EWOULDBLOCK):
		free()
		return nil, errors.New("another program is changing limits at this moment: try again")
	case err != nil:
		free()
		return nil, fmt.Errorf("family file: lock: %w", err)
	}
	now, err := os.ReadFile(f.path)
	if err == nil && string(now) != f.text {
		err = fmt.Errorf("family %s has changed since it was read: look at it again (limits show) before you change it", f.Name)
	}
	if err != nil {
		free()
		return nil, err
	}
	return free, nil
}

// upToDate brings the history to what the file says before a change, and returns the hash that the next entry follows.
func (f *Family) upToDate(now time.Time) (last string, err error) {
	path := historyOf(f.path)
	changes, _, err := readHistory(path)
	if err != nil {
		return "", err
	}
	if len(changes) == 0 {
		err = appendHistory(path, Change{At: now.UTC(), By: notNamed, Reason: FirstSeen, Figures: f.figures()})
	} else {
		_, err = f.NoticeEdits(now)
	}
	if err != nil {
		return "", err
	}
	_, last, err = readHistory(path)
	return last, err
}

// replace writes the file in one piece; before is called once the new text is on the disk and before it takes its name.
func replace(path, text string, before func() error) error {
	file, err := os.CreateTemp(filepath.Dir(path), ".limits-*")
	if err != nil {
		return fmt.Errorf("family file: %w", err)
	}
	defer os.Remove(file.Name()) // gone by then, unless something failed
	_, err = file.WriteString(text)
	if err := errors.Join(err, file.Chmod(0o644), file.Sync(), file.Close()); err != nil {
		return fmt.Errorf("family file: %w", err)
	}
	if err := before(); err != nil {
		return err
	}
	if err := os.Rename(file.Name(), path); err != nil {
		return fmt.Errorf("family file: %w", err)
	}
	return nil
}
