package scpi

import (
	"strconv"
	"strings"
)

// SplitMessage takes the first program message off the bytes that arrived. The
// NL that ends it is outside strings and definite blocks and is not part of it.
// Without one ok is false.
func SplitMessage(buf []byte) (message, rest []byte, ok bool) {
	s := scan{buf: buf, eol: "\n", program: true}
	at, _, _ := s.terminator()
	if at < 0 {
		return nil, buf, false
	}
	return buf[:at], buf[at+1:], true
}

// header is the header of one program message unit.
type header struct {
	text      string
	common    bool
	absolute  bool // with a leading colon
	query     bool
	mnemonics []mnemonic
}

type mnemonic struct {
	name   string
	suffix int
}

// reader reads one program message unit by unit.
type reader struct {
	buf []byte
	at  int
}

func (r *reader) skipSpace() (any bool) {
	for r.at < len(r.buf) && isSpace(r.buf[r.at]) {
		r.at++
		any = true
	}
	return any
}

// peek is the next byte; 0 at the end, which is white space and so begins
// nothing.
func (r *reader) peek() byte {
	if r.at < len(r.buf) {
		return r.buf[r.at]
	}
	return 0
}

func (r *reader) ended() bool { return r.at >= len(r.buf) }

func (r *reader) take(while func(byte) bool) string {
	from := r.at
	for r.at < len(r.buf) && while(r.buf[r.at]) {
		r.at++
	}
	return string(r.buf[from:r.at])
}

// unit reads the next header and its parameters, up to the semicolon behind
// them or the end.
func (r *reader) unit() (header, []datum, error) {
	r.skipSpace()
	h, err := r.header()
	if err != nil {
		return header{}, nil, err
	}
	if !r.skipSpace() && !r.ended() && r.peek() != ';' {
		if isDigit(r.peek()) || strings.IndexByte(`"'#(+-.`, r.peek()) >= 0 {
			return header{}, nil, NewError(-111, h.text)
		}
		return header{}, nil, NewError(-101, h.text+string(r.peek()))
	}
	var data []datum
	for first := true; !r.ended() && r.peek() != ';'; first = false {
		if !first {
			if r.peek() != ',' {
				return header{}, nil, NewError(-103, h.text)
			}
			r.at++
			r.skipSpace()
		}
		d, err := r.datum()
		if err != nil {
			return header{}, nil, err
		}
		data = append(data, d)
		r.skipSpace()
	}
	return h, data, nil
}

func (r *reader) header() (header, error) {
	from := r.at
	var h header
	if r.peek() == '*' {
		r.at++
		h.common = true
	} else if r.peek() == ':' {
		r.at++
		h.absolute = true
	}
	for {
		if !isLetter(r.peek()) {
			if c := r.peek(); r.ended() || isSpace(c) || c == ';' || c == ':' || c == '?' {
				return header{}, NewError(-102, string(r.buf[from:r.at]))
			}
			return header{}, NewError(-101, string(r.peek()))
		}
		word := r.take(isNameCharacter)
		if len(word) > longestMnemonic {
			return header{}, NewError(-112, word)
		}
		m, err := newMnemonic(word)
		if err != nil {
			return header{}, err
		}
		h.mnemonics = append(h.mnemonics, m)
		if h.common || r.peek() != ':' {
			break
		}
		r.at++
	}
	if r.peek() == '?' {
		r.at++
		h.query = true
	}
	h.text = string(r.buf[from:r.at])
	return h, nil
}

// newMnemonic takes the numeric suffix off a word; absent it is 1.
func newMnemonic(word string) (mnemonic, error) {
	name := strings.TrimRight(word, "0123456789")
	if name == word {
		return mnemonic{name: name, suffix: 1}, nil
	}
	n, err := strconv.ParseInt(word[len(name):], 10, 32)
	if err != nil {
		return mnemonic{}, NewError(-114, word)
	}
	return mnemonic{name: name, suffix: int(n)}, nil
}
