package dialect

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scpi"
)

// EOL is a message terminator: lf, crlf or cr in a file.
type EOL string

// UnmarshalText reads the name of a terminator.
func (e *EOL) UnmarshalText(text []byte) error {
	switch string(text) {
	case "lf":
		*e = "\n"
	case "crlf":
		*e = "\r\n"
	case "cr":
		*e = "\r"
	default:
		return fmt.Errorf("wants lf, crlf or cr, got %q", text)
	}
	return nil
}

// Pattern is a regular expression.
type Pattern struct{ *regexp.Regexp }

// UnmarshalText compiles the expression; one that matches everything is refused.
func (p *Pattern) UnmarshalText(text []byte) error {
	re, err := regexp.Compile(string(text))
	if err != nil {
		return fmt.Errorf("is no regular expression: %w", err)
	}
	if re.MatchString("") {
		return errors.New("matches an empty answer, so it would recognise anything")
	}
	p.Regexp = re
	return nil
}

// Span is the range of a parameter, both ends allowed: "0 V .. 80 V", "1 .. 3".
type Span struct{ Min, Max quantity.Value }

// UnmarshalText reads two values with a unit, or two bare numbers for what has none.
func (s *Span) UnmarshalText(text []byte) error {
	low, high, found := strings.Cut(string(text), "..")
	if !found {
		return fmt.Errorf("wants a range such as \"0 V .. 80 V\", got %q", text)
	}
	var err error
	if s.Min, err = end(low); err != nil {
		return err
	}
	if s.Max, err = end(high); err != nil {
		return err
	}
	order, err := s.Min.Cmp(s.Max)
	if err != nil {
		return err
	}
	if order > 0 {
		return fmt.Errorf("begins at %v, above its end %v", s.Min, s.Max)
	}
	return nil
}

func end(text string) (quantity.Value, error) {
	text = strings.TrimSpace(text)
	if x, err := scpi.ParseNumber(text); err == nil {
		return quantity.Value{Number: x}, nil
	}
	return quantity.Parse(text)
}

func (s Span) String() string { return fmt.Sprintf("%v to %v", s.Min, s.Max) }

// Holds tells whether x, in the range's own unit, lies inside; NaN never does.
func (s Span) Holds(x float64) bool { return x >= s.Min.Number && x <= s.Max.Number }

// Mark is how a status answer says one thing: "bit 9" of a number, or a word among others.
type Mark struct {
	bit  int // -1: by word
	word string
}

var bitMark = regexp.MustCompile(`^bit (\d+)$`)

// UnmarshalText reads a bit's number or a word.
func (m *Mark) UnmarshalText(text []byte) error {
	if found := bitMark.FindSubmatch(text); found != nil {
		bit, err := strconv.Atoi(string(found[1]))
		if err != nil || bit > 31 {
			return errors.New("a bit has a number from 0 to 31")
		}
		*m = Mark{bit: bit}
		return nil
	}
	word := string(text)
	if word == "" || strings.ContainsAny(word, " ,;") || '0' <= word[0] && word[0] <= '9' {
		return fmt.Errorf("wants \"bit 0\" or a word, got %q", text)
	}
	*m = Mark{bit: -1, word: word}
	return nil
}

// states reads a status answer: the names of what it says.
func states(marks map[string]Mark, answer string) (map[string]bool, error) {
	said := make(map[string]bool, len(marks))
	byBit := false
	for _, m := range marks {
		byBit = byBit || m.bit >= 0
	}
	if !byBit {
		words := strings.FieldsFunc(answer, func(r rune) bool { return r == ' ' || r == ',' })
		known := 0
		for name, m := range marks {
			for _, w := range words {
				if strings.EqualFold(w, m.word) {
					said[name] = true
					known++
				}
			}
		}
		if known == 0 {
			return nil, fmt.Errorf("the status %q is none of those that the dialect knows", answer)
		}
		return said, nil
	}
	x, err := scpi.ParseNumber(answer)
	if err != nil {
		return nil, err
	}
	if x < 0 || x > math.MaxUint32 || x != math.Trunc(x) {
		return nil, fmt.Errorf("the status %q is no set of bits", answer)
	}
	for name, m := range marks {
		said[name] = m.bit >= 0 && uint32(x)>>m.bit&1 == 1
	}
	return said, nil
}
