// Package datafile reads the YAML data files of dialects, benches and families strictly: an unknown key, a missing one, a
// bare number where a unit is needed, each is a fault that names file, line and key.
package datafile

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Fault is one thing that is wrong in a file.
type Fault struct {
	File string
	Line int
	Key  string // path of the key: "instruments.bus.link", "probes[2].at"
	Text string
}

// Error is one line: "benches/x.yaml:12: bus.curent_limit: unknown key, did you mean current_limit?"
func (f Fault) Error() string {
	at := f.File
	if f.Line > 0 {
		at = fmt.Sprintf("%s:%d", f.File, f.Line)
	}
	if f.Key == "" {
		return oneLine(at + ": " + f.Text)
	}
	return oneLine(fmt.Sprintf("%s: %s: %s", at, f.Key, f.Text))
}

// oneLine blanks what would break a line or move a terminal's cursor.
func oneLine(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, text)
}

// Faults are all that is wrong in a file, by line.
type Faults []Fault

func (f Faults) Error() string {
	lines := make([]string, len(f))
	for i, fault := range f {
		lines[i] = fault.Error()
	}
	return strings.Join(lines, "\n")
}

// Err is nil when there are no faults, else the faults in the order of their lines.
func (f Faults) Err() error {
	if len(f) == 0 {
		return nil
	}
	sorted := slices.Clone(f)
	slices.SortStableFunc(sorted, func(a, b Fault) int { return cmp.Compare(a.Line, b.Line) })
	return sorted
}

// DidYouMean is ", did you mean x?" for a word that is like a known one; else the list of what is known.
func DidYouMean(word string, known []string) string {
	if near := Nearest(word, known); near != "" {
		return fmt.Sprintf(", did you mean %s?", near)
	}
	if len(known) == 0 {
		return "; there are none"
	}
	return fmt.Sprintf("; there are %s", strings.Join(slices.Sorted(slices.Values(known)), ", "))
}

// longest is how many letters of a word are compared; no key of ours has more.
const longest = 64

// Nearest is the known word that is most like word, or "" when none is like it: one slip, and one more for every three
// letters.
func Nearest(word string, known []string) string {
	letters := utf8.RuneCountInString(word)
	if letters > longest {
		return ""
	}
	best, least := "", letters/3+1
	for _, k := range known {
		if d := distance(strings.ToLower(word), strings.ToLower(k)); d < least {
			best, least = k, d
		}
	}
	return best
}

// distance counts the letters to insert, drop, exchange or swap with the next to make b of a.
func distance(a, b string) int {
	ra, rb := []rune(a), []rune(b)
	rows := make([][]int, len(ra)+1)
	for i := range rows {
		rows[i] = make([]int, len(rb)+1)
		rows[i][0] = i
	}
	for j := range rows[0] {
		rows[0][j] = j
	}
	for i := 1; i <= len(ra); i++ {
		for j := 1; j <= len(rb); j++ {
			change := 1
			if ra[i-1] == rb[j-1] {
				change = 0
			}
			rows[i][j] = min(rows[i-1][j]+1, rows[i][j-1]+1, rows[i-1][j-1]+change)
			if i > 1 && j > 1 && ra[i-1] == rb[j-2] && ra[i-2] == rb[j-1] {
				rows[i][j] = min(rows[i][j], rows[i-2][j-2]+1)
			}
		}
	}
	return rows[len(ra)][len(rb)]
}
