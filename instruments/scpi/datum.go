package scpi

import (
	"math"
	"strconv"
	"strings"
)

// Limits of program data (IEEE 488.2 clauses 7.7.1.4, 7.7.2.4.1 and 7.7.3.4).
const (
	longestCharacterData = 12
	longestSuffix        = 12
	mostDigits           = 255
	largestExponent      = 32000
)

type kind int

const (
	numericData kind = iota
	characterData
	stringData
	blockData
	expressionData
)

// notAllowed is the error for data of a kind that the command does not take.
var notAllowed = [...]int{numericData: -128, characterData: -148, stringData: -158, blockData: -168, expressionData: -178}

// datum is one parameter of a command.
type datum struct {
	kind    kind
	text    string  // character data, string without quotes, expression without parentheses
	number  float64 // numeric data, before its suffix
	suffix  string  // in capitals
	content []byte  // block
}

func (r *reader) datum() (datum, error) {
	switch c := r.peek(); {
	case isDigit(c) || c == '+' || c == '-' || c == '.':
		return r.decimal()
	case isLetter(c):
		return r.character()
	case c == '"' || c == '\'':
		n := stringEnd(r.buf[r.at:])
		if n < 0 {
			return datum{}, NewError(-151, "no closing quote")
		}
		text := unquote(string(r.buf[r.at : r.at+n]))
		r.at += n
		return datum{kind: stringData, text: text}, nil
	case c == '#':
		return r.hash()
	case c == '(':
		return r.expression()
	case r.ended(), c == ',', c == ';':
		return datum{}, NewError(-102, "a parameter is missing before or after a comma")
	default:
		return datum{}, NewError(-101, string(c))
	}
}

func (r *reader) decimal() (datum, error) {
	from := r.at
	if c := r.peek(); c == '+' || c == '-' {
		r.at++
	}
	digits := r.take(isDigit)
	if r.peek() == '.' {
		r.at++
		digits += r.take(isDigit)
	}
	if digits == "" {
		return datum{}, NewError(-121, string(r.buf[from:min(r.at+1, len(r.buf))]))
	}
	if len(strings.TrimLeft(digits, "0")) > mostDigits {
		return datum{}, NewError(-124, "")
	}
	mantissa := string(r.buf[from:r.at])
	exponent, err := r.exponent()
	if err != nil {
		return datum{}, err
	}
	x, err := strconv.ParseFloat(mantissa+"e"+strconv.Itoa(exponent), 64)
	if err != nil && math.IsInf(x, 0) {
		return datum{}, NewError(-222, mantissa+"E"+strconv.Itoa(exponent))
	}
	if r.peek() == '.' {
		return datum{}, NewError(-121, string(r.buf[from:r.at+1]))
	}
	suffix, err := r.suffix()
	return datum{kind: numericData, number: x, suffix: suffix}, err
}

// exponent reads E and its number, white space around E allowed (IEEE 488.2
// clause 7.7.2.2); an E without a number is left for the suffix.
func (r *reader) exponent() (int, error) {
	start := r.at
	r.skipSpace()
	if c := r.peek(); c != 'E' && c != 'e' {
		r.at = start
		return 0, nil
	}
	r.at++
	r.skipSpace()
	negative := r.peek() == '-'
	if c := r.peek(); c == '+' || c == '-' {
		r.at++
	}
	digits := r.take(isDigit)
	if digits == "" {
		r.at = start
		return 0, nil
	}
	n, err := strconv.Atoi(digits)
	if err != nil || n > largestExponent {
		return 0, NewError(-123, "E"+digits)
	}
	if negative {
		n = -n
	}
	return n, nil
}

func (r *reader) suffix() (string, error) {
	start := r.at
	r.skipSpace()
	if !isLetter(r.peek()) && r.peek() != '/' {
		r.at = start
		return "", nil
	}
	suffix := strings.ToUpper(r.take(func(c byte) bool {
		return isLetter(c) || isDigit(c) || c == '/' || c == '.' || c == '-'
	}))
	if len(suffix) > longestSuffix {
		return "", NewError(-134, suffix)
	}
	return suffix, nil
}

func (r *reader) character() (datum, error) {
	word := r.take(isNameCharacter)
	if len(word) > longestCharacterData {
		return datum{}, NewError(-144, word)
	}
	if c := r.peek(); !r.ended() && !isSpace(c) && c != ',' && c != ';' {
		return datum{}, NewError(-141, word+string(c))
	}
	return datum{kind: characterData, text: word}, nil
}

// hash reads what starts with #: a number in another base or a block.
func (r *reader) hash() (datum, error) {
	base := 0
	if r.at+1 < len(r.buf) {
		switch r.buf[r.at+1] {
		case 'H', 'h':
			base = 16
		case 'Q', 'q':
			base = 8
		case 'B', 'b':
			base = 2
		}
	}
	if base == 0 {
		return r.block()
	}
	r.at += 2
	digits := r.take(isNameCharacter)
	n, err := strconv.ParseUint(digits, base, 64)
	switch {
	case err == nil:
		return datum{kind: numericData, number: float64(n)}, nil
	case strings.Contains(err.Error(), strconv.ErrRange.Error()):
		return datum{}, NewError(-222, digits)
	}
	return datum{}, NewError(-121, digits)
}

func (r *reader) block() (datum, error) {
	h, err := readBlockHeader(r.buf[r.at:])
	if err != nil {
		return datum{}, NewError(-161, err.Error())
	}
	if !h.complete(len(r.buf) - r.at) {
		return datum{}, NewError(-161, "shorter than its length says")
	}
	content := r.buf[r.at+h.size : r.at+h.size+h.length]
	r.at += h.size + h.length
	return datum{kind: blockData, content: content}, nil
}

func (r *reader) expression() (datum, error) {
	from, depth := r.at, 0
	for ; !r.ended(); r.at++ {
		switch r.peek() {
		case '(':
			depth++
		case ')':
			depth--
		case ';':
			return datum{}, NewError(-171, "a parenthesis is not closed")
		}
		if depth == 0 {
			r.at++
			return datum{kind: expressionData, text: string(r.buf[from+1 : r.at-1])}, nil
		}
	}
	return datum{}, NewError(-171, "a parenthesis is not closed")
}
