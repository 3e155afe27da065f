package scpi

import (
	"bytes"
	"errors"
	"fmt"
	"io"
)

// Framing tells where an answer ends on a stream of bytes. EOL is the
// terminator: "\n" (also when empty), "\r\n" or "\r".
//
// Blocks are passed over by their length and strings by their quotes, so that a
// terminator inside either ends nothing. A block or string is recognised where
// a data element may start: at the start of the answer, after a comma or
// semicolon, or after a header in capitals and white space (the headers of
// answers are in capitals: IEEE 488.2 chapter 8, from memory). With EOL "\n" a
// carriage return just before it belongs to the terminator.
//
// Framing keeps no state: it is given all bytes of the answer that have arrived
// so far. A call while a large block is incomplete does not look at the block's
// bytes again.
type Framing struct{ EOL string }

// End looks for the end of the answer at the start of buf. buf[:end] is the
// answer without its terminator, buf[next:] is what follows. While the answer
// is incomplete end is negative and need says how many bytes at least are still
// to come: the rest of a block whose length is known and its terminator, else 1. A block's header may
// claim up to 999 999 999 bytes, so read need bytes, but do not trust it with
// memory at once.
//
// An indefinite block is ErrIndefinite, since no terminator can end it
// (EndAtClose can); a block header that is none is an error too.
func (f Framing) End(buf []byte) (end, next, need int, err error) {
	s := scan{buf: buf, eol: f.eol()}
	at, need, err := s.terminator()
	if err != nil || at < 0 {
		return -1, 0, need, err
	}
	end, next = at, at+len(s.eol)
	if f.eol() == "\n" && end > s.passed && buf[end-1] == '\r' {
		end--
	}
	return end, next, 0, nil
}

// EndAtClose looks for the end of the answer when the connection has ended
// after buf. It differs from End in two ways: an indefinite block is whole (a
// terminator as its last bytes is not part of it), and an incomplete answer is
// an error, since a reading cut short still looks like a number.
func (f Framing) EndAtClose(buf []byte) (end, next, need int, err error) {
	end, next, need, err = f.End(buf)
	switch {
	case errors.Is(err, ErrIndefinite):
		return len(bytes.TrimSuffix(buf, []byte(f.eol()))), len(buf), 0, nil
	case err == nil && end < 0:
		return -1, 0, need, fmt.Errorf("the connection ended after %d bytes of an answer, at least %d more were to come: %w",
			len(buf), need, io.ErrUnexpectedEOF)
	}
	return end, next, need, err
}

func (f Framing) eol() string {
	if f.EOL == "" {
		return "\n"
	}
	return f.EOL
}

// scan looks for a terminator outside blocks and strings.
type scan struct {
	buf     []byte
	eol     string
	program bool // a program message: a broken block is text, headers have any case
	passed  int  // end of the last block or string; terminators before it do not count
}

// terminator returns the index of the terminator, or -1 and how many bytes are
// known to be missing.
func (s *scan) terminator() (at, need int, err error) {
	for from := 0; ; {
		at := s.notable(from)
		if at == len(s.buf) {
			return -1, 1, nil
		}
		if bytes.HasPrefix(s.buf[at:], []byte(s.eol)) {
			return at, 0, nil
		}
		from = at + 1
		start := s.dataStart(at)
		if start == noData || s.buf[at] == s.eol[0] {
			continue
		}
		if missing, err := s.pass(at, start == afterHeader); err != nil || missing > 0 {
			return -1, missing, err
		}
		from = max(from, s.passed)
	}
}

// notable is the first byte at or after a place that may start a terminator, a
// block or a string. It looks at few bytes beyond it, so that a block is not
// searched before it is known to be one.
func (s *scan) notable(from int) int {
	const window = 1024
	for ; from < len(s.buf); from += window {
		w := s.buf[from:min(from+window, len(s.buf))]
		first := len(w)
		for _, c := range [...]byte{s.eol[0], '#', '"', '\''} {
			if i := bytes.IndexByte(w[:first], c); i >= 0 {
				first = i
			}
		}
		if first < len(w) {
			return from + first
		}
	}
	return len(s.buf)
}

// pass moves behind the block or string at mark; where it is incomplete it
// says how many bytes are missing. What turns out to be neither is text.
func (s *scan) pass(mark int, doubtful bool) (missing int, err error) {
	if s.buf[mark] != '#' {
		end := stringEnd(s.buf[mark:])
		if end < 0 {
			return 1, nil
		}
		s.passed = mark + end
		return 0, nil
	}
	if mark+1 < len(s.buf) && !isDigit(s.buf[mark+1]) {
		return 0, nil // a non-decimal number such as #H2F
	}
	h, err := readBlockHeader(s.buf[mark:])
	switch {
	case err != nil && (s.program || doubtful && !errors.Is(err, ErrIndefinite)):
		return 0, nil
	case err != nil:
		return 0, err
	case h.partial:
		return 1, nil
	case !h.complete(len(s.buf) - mark):
		return h.missing(len(s.buf)-mark) + len(s.eol), nil
	}
	s.passed = mark + h.size + h.length
	return 0, nil
}

type dataStart int

const (
	noData dataStart = iota
	certain
	afterHeader // a header or the first word of plain text: a broken block is taken for text
)

// dataStart tells whether a data element may start at the given place.
func (s *scan) dataStart(at int) dataStart {
	before := at
	for before > s.passed && isSpace(s.buf[before-1]) {
		before--
	}
	switch {
	case before == 0:
		return certain
	case before == s.passed:
		return noData
	case s.buf[before-1] == ',' || s.buf[before-1] == ';':
		return certain
	case before < at && s.isHeader(before):
		return afterHeader
	}
	return noData
}

// isHeader tells whether what stands before a place, back to the start of its
// unit, can be a header.
func (s *scan) isHeader(end int) bool {
	const longest = 255
	start := max(s.passed, end-longest)
	unit := s.buf[start:end]
	if i := bytes.LastIndexByte(unit, ';'); i >= 0 {
		unit = unit[i+1:]
	} else if start > 0 {
		return false // too long, or behind a block or string
	}
	for _, c := range bytes.TrimLeftFunc(unit, isSpaceRune) {
		if !isHeaderCharacter(c) || !s.program && 'a' <= c && c <= 'z' {
			return false
		}
	}
	return true
}
