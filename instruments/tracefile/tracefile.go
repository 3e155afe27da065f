// Package tracefile reads the traces that scopes export to a memory stick: comma separated text in the many shapes that it
// comes in, and the text form of IEEE C37.111 records.
//
// What a file does not say is asked for, never guessed; what is left out of a file is said.
package tracefile

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"strings"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// File is what a trace file holds.
type File struct {
	Name     string // as it was opened
	SHA256   string
	Channels []Channel
	Settings []Setting // what the file says of how it was recorded, in its order
	Notes    []string  // what was left out, or taken from where, for the reader to know
}

// Channel is one trace of a file.
type Channel struct {
	Column int            // in the file, from 1
	Unit   quantity.Unit  // of the trace's values
	Trace  waveform.Trace // in base units of Unit: volts, amperes
}

// Setting is one line of a file's head.
type Setting struct {
	Line       int // from 1
	Key, Value string
}

// Options say what a file does not say itself. The zero value says nothing.
type Options struct {
	Interval quantity.Seconds // between two samples
	Unit     string           // of the values, with its prefix: "mV"
	TimeUnit string           // of the time column: "s", "ms", "us"
	Columns  []string         // only these, by name or number; none are all
	Factor   float64          // what a probe divided by and the scope did not know; 0 is 1
	Skip     int              // rows of data to leave out at the start
	AllRows  bool             // keep rows at the ends that look like another record's
}

// Fault is a place where a file cannot be read.
type Fault struct {
	File string
	Line int // 0 where it is the file as a whole
	Text string
}

func (f *Fault) Error() string {
	if f.Line == 0 {
		return f.File + ": " + f.Text
	}
	return fmt.Sprintf("%s:%d: %s", f.File, f.Line, f.Text)
}

// Unsaid is something that the file does not say and that cannot be known without it.
type Unsaid struct {
	File string
	What string // "the time between two samples"
	Why  string // what was looked for, and what is there
	Flag string // the option that says it: "--interval"
}

func (u *Unsaid) Error() string {
	return fmt.Sprintf("%s does not say %s (%s): give it with %s", u.File, u.What, u.Why, u.Flag)
}

// Read reads a file. An Unsaid error asks for what only a person knows; a Fault names the line that cannot be read.
func Read(path string, o Options) (*File, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("trace file: %w", err)
	}
	if strings.EqualFold(extension(path), ".cfg") || strings.EqualFold(extension(path), ".dat") {
		return readRecord(path, data, o)
	}
	return Parse(path, data, o)
}

func extension(path string) string {
	if i := strings.LastIndexByte(path, '.'); i >= 0 {
		return path[i:]
	}
	return ""
}

// Parse reads a file's bytes; name stands in its errors.
func Parse(name string, data []byte, o Options) (*File, error) {
	sum := sha256.Sum256(data)
	text, err := decode(data)
	if err != nil {
		return nil, &Fault{File: name, Text: err.Error()}
	}
	f := &File{Name: name, SHA256: hex.EncodeToString(sum[:])}
	p := parser{file: f, options: o, text: text}
	if err := p.parse(); err != nil {
		return nil, err
	}
	return f, nil
}

func (f *File) note(format string, args ...any) {
	f.Notes = append(f.Notes, fmt.Sprintf(format, args...))
}

func (f *File) fault(line int, format string, args ...any) error {
	return &Fault{File: f.Name, Line: line, Text: fmt.Sprintf(format, args...)}
}
