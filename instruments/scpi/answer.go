package scpi

import (
	"errors"
	"fmt"
	"strings"
)

// ParseBool reads a Boolean answer: 0 or 1 in any number format, ON or OFF.
func ParseBool(answer string) (bool, error) {
	text := strings.TrimFunc(answer, isSpaceRune)
	switch strings.ToUpper(text) {
	case "ON":
		return true, nil
	case "OFF":
		return false, nil
	}
	x, err := ParseNumber(text)
	switch {
	case errors.Is(err, ErrNoReading), errors.Is(err, ErrOverrange):
		return false, err
	case err == nil && x == 0:
		return false, nil
	case err == nil && x == 1:
		return true, nil
	}
	return false, fmt.Errorf("the answer %s is neither 0 (off) nor 1 (on)", quote(answer))
}

// FormatBool writes a Boolean as an instrument answers it: 0 or 1.
func FormatBool(on bool) string {
	if on {
		return "1"
	}
	return "0"
}

// ParseString reads a string answer in single or double quotes; the quote that
// encloses it stands doubled inside.
func ParseString(answer string) (string, error) {
	text := strings.TrimFunc(answer, isSpaceRune)
	if text == "" || text[0] != '"' && text[0] != '\'' {
		return "", fmt.Errorf("the answer %s is not a string in quotes", quote(answer))
	}
	end := stringEnd([]byte(text))
	if end < 0 {
		return "", fmt.Errorf("the string %s has no closing quote", quote(answer))
	}
	if end != len(text) {
		return "", fmt.Errorf("the answer %s goes on after its string", quote(answer))
	}
	return unquote(text), nil
}

// FormatString writes a string as an instrument answers it: in double quotes.
func FormatString(text string) string {
	return `"` + strings.ReplaceAll(text, `"`, `""`) + `"`
}

// SplitList splits an answer at its commas; commas inside strings, blocks and
// parentheses do not count. White space around an element is removed (not from
// a block's bytes). An answer of nothing but white space has no elements.
func SplitList(answer string) []string {
	if strings.TrimFunc(answer, isSpaceRune) == "" {
		return nil
	}
	var list []string
	buf := []byte(answer)
	for at := 0; ; {
		for at < len(buf) && isSpace(buf[at]) {
			at++
		}
		end, kept := elementEnd(buf, at)
		list = append(list, answer[at:kept]+strings.TrimRightFunc(answer[kept:end], isSpaceRune))
		if end == len(buf) {
			return list
		}
		at = end + 1
	}
}

// elementEnd finds the comma that ends the element at the given place, and up
// to where its bytes must be kept as they are.
func elementEnd(buf []byte, at int) (end, kept int) {
	kept = at
	if at < len(buf) {
		switch buf[at] {
		case '"', '\'':
			if n := stringEnd(buf[at:]); n >= 0 {
				kept = at + n
			}
		case '#':
			if h, err := readBlockHeader(buf[at:]); err == nil && h.complete(len(buf)-at) {
				kept = at + h.size + h.length
			}
		}
	}
	depth := 0
	for end = kept; end < len(buf); end++ {
		switch buf[end] {
		case '(':
			depth++
		case ')':
			depth--
		case ',':
			if depth <= 0 {
				return end, kept
			}
		}
	}
	return end, kept
}

// stringEnd returns the index just after the closing quote of the string that
// starts at buf[0], or -1 if it is not closed.
func stringEnd(buf []byte) int {
	mark := buf[0]
	for i := 1; i < len(buf); i++ {
		if buf[i] != mark {
			continue
		}
		if i+1 < len(buf) && buf[i+1] == mark {
			i++
			continue
		}
		return i + 1
	}
	return -1
}

// unquote takes the quotes off a string that stringEnd has found whole.
func unquote(text string) string {
	mark := text[:1]
	return strings.ReplaceAll(text[1:len(text)-1], mark+mark, mark)
}
