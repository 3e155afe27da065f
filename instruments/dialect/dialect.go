// Package dialect reads the data files that say how one kind of instrument is spoken to, writes commands and reads answers
// by them, and holds conversations with instruments over a link.
//
// A dialect file is strict YAML. What an instrument has to be able to do follows from its kind (kinds.go); the file says
// only how it is said on the wire: a command's text with its parameters in braces, a question's text and where in the answer
// each value stands. A new instrument is a new file, never a new build.
//
// Nothing that is not a finite number within the file's ranges is ever written, and nothing that does not read exactly as
// the file says is ever taken for a reading.
package dialect

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"benchwarden/instruments/datafile"
	"benchwarden/instruments/quantity"
)

// Dialect is how one kind of instrument is spoken to.
type Dialect struct {
	Name string // the file's name without its ending

	Kind     string         `yaml:"kind" need:"true"` // supply, meter, scope, hall, contacts, matrix, person
	Title    string         `yaml:"title"`
	Identity Identification `yaml:"identity" need:"true"`

	EOL     EOL    `yaml:"eol" need:"true"` // ends a message and an answer
	Answers string `yaml:"answers"`         // scpi (default): blocks and strings may hold line ends; lines: never
	Wait    Wait   `yaml:"wait" need:"true"`
	// ErrorQueue is the question that takes the oldest entry from the instrument's error queue, or none.
	ErrorQueue string `yaml:"error_queue" need:"true"`
	Refusal    string `yaml:"refusal"` // the whole answer by which an instrument without error queue says that it did not understand
	Resync     Resync `yaml:"resync" need:"true"`

	Connections int `yaml:"connections" need:"true"` // how many clients the instrument serves at once
	// TakesEffectWithin is the longest time from a command's last byte to its effect.
	TakesEffectWithin quantity.Seconds `yaml:"takes_effect_within" need:"true"`
	ReplyWithin       quantity.Seconds `yaml:"reply_within" need:"true"`
	Gap               quantity.Seconds `yaml:"gap"`           // least time between two messages
	CharacterGap      quantity.Seconds `yaml:"character_gap"` // least time between two characters

	// OverCurrent says what a supply's over-current protection does: level (acts at a level of its own), on_cc (drops the
	// output as soon as constant current is entered, which would end every good ramp) or none.
	OverCurrent string            `yaml:"over_current"`
	Status      map[string]Mark   `yaml:"status"`   // what the status answer says, by bit or by word
	Ranges      map[string]Span   `yaml:"ranges"`   // what each parameter may be; nothing outside is sent
	Accuracy    map[string]string `yaml:"accuracy"` // by quantity, "0.05 % of reading + 10 mV", for a bench file to quote

	Commands map[string]Command `yaml:"commands"`
	Queries  map[string]Query   `yaml:"queries" need:"true"`
}

// Identification is how an instrument is recognised.
type Identification struct {
	Ask     string  `yaml:"ask" need:"true"`
	Pattern Pattern `yaml:"pattern" need:"true"` // has to match somewhere in the answer
}

// Wait says how it is known that a command has been carried out.
type Wait struct {
	By    string           `yaml:"by" need:"true"` // opc: *OPC? is answered; delay: a fixed time; poll: until a question has a certain answer
	Delay quantity.Seconds `yaml:"delay"`          // delay: how long; poll: between two questions
	Ask   string           `yaml:"ask"`            // poll
	Done  string           `yaml:"done"`           // poll: the answer that says that nothing is under way
}

// The ways to wait.
const (
	ByOPC   = "opc"
	ByDelay = "delay"
	ByPoll  = "poll"
)

// Resync says how to get into step again after a lost answer. Either a question whose answer can be chosen, so that a late
// answer to something else is never taken for it: {a}, {b} and {c} stand for random numbers from 1 to 255. Or silence, which
// has to be longer than the instrument's longest delay.
type Resync struct {
	Ask     string           `yaml:"ask"`
	Answer  string           `yaml:"answer"`
	Silence quantity.Seconds `yaml:"silence"`
}

// Command is one thing that an instrument can be told.
type Command struct {
	Send   Template         `yaml:"send" need:"true"`
	Within quantity.Seconds `yaml:"within"` // how long it may take to be carried out; 0: the dialect's reply_within
	// Overlapped commands start something that goes on: nobody waits for its end (IEEE 488.2 clause 12.2, from memory).
	Overlapped bool `yaml:"overlapped"`
}

// None stands in a file for something that the instrument does not have.
const None = "none"

// Load reads a dialect file. The error holds all its faults at once.
func Load(path string) (*Dialect, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("dialect: %w", err)
	}
	return Decode(path, data)
}

// Decode is Load for data in memory; the dialect is named after the file name.
func Decode(name string, data []byte) (*Dialect, error) {
	d := &Dialect{Name: strings.TrimSuffix(filepath.Base(name), filepath.Ext(name))}
	doc, err := datafile.Decode(name, data, d)
	if err != nil {
		return nil, err
	}
	if err := d.check(doc); err != nil {
		return nil, err
	}
	return d, nil
}

const ending = ".yaml"

// LoadNamed finds a dialect by its name; earlier directories come first, so that a user's own file can replace one of ours.
func LoadNamed(dirs []string, name string) (*Dialect, error) {
	if !plainName.MatchString(name) {
		return nil, fmt.Errorf("dialect %q: a name has letters, digits and dashes only", name)
	}
	for _, dir := range dirs {
		path := filepath.Join(dir, name+ending)
		_, err := os.Stat(path)
		switch {
		case err == nil:
			return Load(path)
		case !errors.Is(err, os.ErrNotExist):
			return nil, fmt.Errorf("dialect %s: %w", name, err)
		}
	}
	known := Names(dirs)
	if len(known) == 0 {
		return nil, fmt.Errorf("dialect %s: there are no dialect files in %s", name, strings.Join(dirs, ", "))
	}
	return nil, fmt.Errorf("dialect %s: there is no %s%s in %s%s", name, name, ending, strings.Join(dirs, ", "), datafile.DidYouMean(name, known))
}

var plainName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]*$`)

// Names are the dialects found in the directories, sorted.
func Names(dirs []string) []string {
	var names []string
	for _, dir := range dirs {
		entries, err := os.ReadDir(dir)
		if err != nil {
			continue // a directory that is not there holds no dialects
		}
		for _, e := range entries {
			if name, found := strings.CutSuffix(e.Name(), ending); found {
				names = append(names, name)
			}
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// Has tells whether the dialect has a command or question of that name.
func (d *Dialect) Has(name string) bool {
	_, command := d.Commands[name]
	_, query := d.Queries[name]
	return command || query
}

// HasErrorQueue tells whether the instrument keeps errors to be asked for.
func (d *Dialect) HasErrorQueue() bool { return d.ErrorQueue != None }
