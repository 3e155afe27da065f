package dialect

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scpi"
)

// Query is one thing that an instrument can be asked.
type Query struct {
	Ask    Template         `yaml:"ask" need:"true"`
	Within quantity.Seconds `yaml:"within"` // how long the answer may take; 0: the dialect's reply_within

	// An answer with one value is read by the reader here. One with several is split, and each has a reader under values.
	Reader
	Split  string            `yaml:"split"` // "," or ";" or "space"
	Count  int               `yaml:"count"` // how many fields there have to be; 0: as many as the last position
	Values map[string]Reader `yaml:"values"`
}

// Reader says where in an answer a value stands, and how.
type Reader struct {
	Position int               `yaml:"position"` // field, from 1
	Key      string            `yaml:"key"`      // the value follows this word: "MODE CV OUT 1", "MODE=CV,OUT=1"
	Prefix   string            `yaml:"prefix"`   // stands before the value, with white space behind it
	Suffix   string            `yaml:"suffix"`   // the unit behind a number, exactly as the instrument writes it: "V", "mA"
	Factor   float64           `yaml:"factor"`   // a bare number times this is in the base unit; 0 is 1
	Words    map[string]string `yaml:"words"`    // the instrument's word: ours (for yes and no: yes, no)
	Samples  string            `yaml:"samples"`  // of a block: int8, uint8, int16, uint16, float32
	Order    string            `yaml:"order"`    // of a block's bytes: big, little
}

// ErrUnreadable: the answer does not read as the dialect says, so question and answer may be out of step.
var ErrUnreadable = errors.New("the answer cannot be read")

// datum is one value that was read; err is set where the instrument said that it has none.
type datum struct {
	is     sort
	number float64
	unit   quantity.Unit
	on     bool
	text   string
	states map[string]bool
	block  []byte
	err    error
}

// Answer is what an instrument answered to one question.
type Answer struct {
	reply []byte
	split string
	data  map[string]datum
	only  string // the value that Number and the others mean; empty if there are several
	from  Reader // of a block
}

// Read reads an answer. Text that is not what the dialect says is ErrUnreadable; "no reading" and "overrange" fail only
// whoever asks for that value.
func (d *Dialect) Read(query string, reply []byte) (Answer, error) {
	q, ok := d.Queries[query]
	if !ok {
		return Answer{}, fmt.Errorf("dialect %s has no question %s", d.Name, query)
	}
	if d.Refusal != "" && strings.TrimSpace(string(reply)) == d.Refusal {
		return Answer{}, fmt.Errorf("%w: the instrument did not understand (it answered %q)", ErrUnreadable, d.Refusal)
	}
	expected := kinds[d.Kind].questions[query].values
	a := Answer{reply: reply, split: q.Split, data: map[string]datum{}}
	if len(q.Values) == 0 {
		for name, v := range expected {
			read, err := q.Reader.read(reply, v, d.Status)
			if err != nil {
				return Answer{}, err
			}
			a.data[name], a.only, a.from = read, name, q.Reader
		}
		return a, nil
	}
	fields := split(string(reply), q.Split)
	if q.Count > 0 && len(fields) != q.Count {
		return Answer{}, fmt.Errorf("%w: %q has %d fields instead of %d", ErrUnreadable, excerpt(reply), len(fields), q.Count)
	}
	for _, name := range slices.Sorted(maps.Keys(q.Values)) { // of several that cannot be read always the same one is told
		r := q.Values[name]
		field, err := r.find(fields, q.Split)
		if err != nil {
			return Answer{}, fmt.Errorf("%w in %q", err, excerpt(reply))
		}
		read, err := r.read([]byte(field), expected[name], d.Status)
		if err != nil {
			return Answer{}, fmt.Errorf("%s: %w", name, err)
		}
		a.data[name] = read
		if len(q.Values) == 1 {
			a.only = name
		}
	}
	return a, nil
}

const bySpace = "space"

func split(reply, by string) []string {
	switch by {
	case ",":
		return scpi.SplitList(reply)
	case bySpace:
		return strings.Fields(reply)
	}
	fields := strings.Split(reply, by)
	for i := range fields {
		fields[i] = strings.TrimSpace(fields[i])
	}
	return fields
}

// find takes the reader's field out of the fields of an answer.
func (r Reader) find(fields []string, by string) (string, error) {
	if r.Key == "" {
		if r.Position > len(fields) {
			return "", fmt.Errorf("%w: there is no field %d", ErrUnreadable, r.Position)
		}
		return fields[r.Position-1], nil
	}
	found, times := "", 0
	if by == bySpace {
		if len(fields)%2 != 0 {
			return "", fmt.Errorf("%w: a value without its key, or a key without its value,", ErrUnreadable)
		}
		for i := 0; i < len(fields); i += 2 {
			if fields[i] == r.Key {
				found, times = fields[i+1], times+1
			}
		}
	} else {
		for _, field := range fields {
			if rest, ok := strings.CutPrefix(field, r.Key); ok && rest != "" && strings.ContainsRune("= :", rune(rest[0])) {
				found, times = strings.TrimLeft(rest, "= :"), times+1
			}
		}
	}
	if times != 1 {
		return "", fmt.Errorf("%w: %s stands %d times", ErrUnreadable, r.Key, times)
	}
	return found, nil
}

// read reads one value.
func (r Reader) read(field []byte, v value, marks map[string]Mark) (datum, error) {
	if v.is == aBlock {
		return r.readBlock(field)
	}
	text := strings.TrimSpace(string(field))
	if r.Prefix != "" {
		rest, found := strings.CutPrefix(text, r.Prefix)
		if !found {
			return datum{}, fmt.Errorf("%w: %q does not begin with %q", ErrUnreadable, excerpt(field), r.Prefix)
		}
		text = strings.TrimSpace(rest)
	}
	read := datum{is: v.is, unit: v.unit}
	var err error
	switch v.is {
	case aNumber, aWhole:
		read.number, err = r.number(text, v)
	case aSwitch:
		read.on, err = r.onOff(text)
	case aWord:
		read.text, err = r.word(text, v.words)
	case aText:
		read.text, err = plainText(text)
	case aStatus:
		read.states, err = states(marks, text)
	}
	switch {
	case errors.Is(err, scpi.ErrNoReading), errors.Is(err, scpi.ErrOverrange):
		read.err = err
	case err != nil:
		return datum{}, fmt.Errorf("%w: %w", ErrUnreadable, err)
	}
	return read, nil
}

func (r Reader) number(text string, v value) (float64, error) {
	if r.Suffix != "" {
		rest, found := strings.CutSuffix(text, r.Suffix)
		if !found {
			return 0, fmt.Errorf("%q does not end with its unit %q", text, r.Suffix)
		}
		text = strings.TrimSpace(rest)
	}
	x, err := scpi.ParseNumber(text)
	if err != nil {
		return 0, err
	}
	x *= r.factor(v.unit)
	if math.IsInf(x, 0) {
		return 0, fmt.Errorf("%q times %g is no finite number", text, r.Factor)
	}
	if v.is == aWhole && x != math.Trunc(x) {
		return 0, fmt.Errorf("%q is no whole number", text)
	}
	return x, nil
}

// factor is what a number is multiplied with to be in the base unit: the file's, or that of the suffix.
func (r Reader) factor(unit quantity.Unit) float64 {
	if r.Factor != 0 {
		return r.Factor
	}
	if r.Suffix != "" {
		if one, err := quantity.ParseAs("1 "+r.Suffix, unit); err == nil {
			return one.Number
		}
	}
	return 1
}

func (r Reader) onOff(text string) (bool, error) {
	if len(r.Words) == 0 {
		return scpi.ParseBool(text)
	}
	word, err := r.word(text, []string{yes, no})
	return word == yes, err
}

// Ours for yes and no in a reader's words.
const (
	yes = "yes"
	no  = "no"
)

func (r Reader) word(text string, ours []string) (string, error) {
	if word, ok := r.Words[text]; ok {
		return word, nil
	}
	if len(r.Words) == 0 && slices.Contains(ours, strings.ToLower(text)) {
		return strings.ToLower(text), nil
	}
	return "", fmt.Errorf("%q is none of the words that the dialect knows", text)
}

// plainText is text in quotes or without.
func plainText(text string) (string, error) {
	if strings.HasPrefix(text, `"`) || strings.HasPrefix(text, "'") {
		return scpi.ParseString(text)
	}
	return text, nil
}

func (r Reader) readBlock(field []byte) (datum, error) {
	data, rest, err := scpi.DecodeBlock(field)
	switch {
	case err != nil:
		return datum{}, fmt.Errorf("%w: %w", ErrUnreadable, err)
	case len(rest) > 0:
		return datum{}, fmt.Errorf("%w: %d bytes follow the block", ErrUnreadable, len(rest))
	case len(data)%r.width() != 0:
		return datum{}, fmt.Errorf("%w: %d bytes are no whole number of %s", ErrUnreadable, len(data), r.Samples)
	}
	return datum{is: aBlock, block: data}, nil
}

func (r Reader) width() int {
	switch r.Samples {
	case Int16, Uint16:
		return 2
	case Float32:
		return 4
	}
	return 1
}

func excerpt(b []byte) string {
	const longest = 60
	if len(b) > longest {
		return string(b[:longest]) + "..."
	}
	return string(b)
}
