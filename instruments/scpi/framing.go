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
// semicolon, or after a header and white space. With EOL "\n" a carriage return
// just before it belongs to the terminator.
//
// Framing keeps no state: it is given all bytes of the answer that have arrived
// so far. A call while a large block is incomplete does not look at the block's
// bytes again.
type Framing struct{ EOL string }

// End looks for the end of the answer at the start of buf. buf[:end] is the
// answer without its terminator, buf[next:] is what follows. While the answer
// is incomplete end is negative and need says how many bytes at least are still
// to come: the rest of a block and its terminator, else 1. A block's header may
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
	lenient bool // what is no definite block is text, never an error
	passed  int  // end of the last block or string; terminators before it do not count
}

// terminator returns the index of the terminator, or -1 and how many bytes are
// known to be missing.
func (s *scan) terminator() (at, need int, err error) {
	eol := finder{buf: s.buf, find: []byte(s.eol)}
	marks := [...]finder{{buf: s.buf, find: []byte{'#'}}, {buf: s.buf, find: []byte{'"'}}, {buf: s.buf, find: []byte{'\''}}}
	for from := 0; ; {
		at := eol.from(from)
		mark := len(s.buf)
		for i := range marks {
			mark = min(mark, marks[i].from(from))
		}
		if at < mark {
			return at, 0, nil
		}
		if mark == len(s.buf) {
			return -1, 1, nil
		}
		if start := s.dataStart(mark); start == noData {
			from = mark + 1
		} else if missing, err := s.pass(mark, start == afterHeader); err != nil || missing > 0 {
			return -1, missing, err
		} else {
			from = max(mark+1, s.passed)
		}
	}
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
	case err != nil && (s.lenient || doubtful && !errors.Is(err, ErrIndefinite)):
		return 0, nil
	case err != nil:
		return 0, err
	case len(s.buf) == mark+1:
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
	const longestHeader = 255
	before := at
	for before > s.passed && isSpace(s.buf[before-1]) {
		before--
	}
	if before == s.passed {
		if s.passed == 0 {
			return certain
		}
		return noData
	}
	if c := s.buf[before-1]; c == ',' || c == ';' {
		return certain
	}
	if before == at {
		return noData
	}
	for i := before - 1; ; i-- {
		switch {
		case i < s.passed:
			if s.passed == 0 {
				return afterHeader
			}
			return noData
		case s.buf[i] == ';':
			return afterHeader
		case !isHeaderCharacter(s.buf[i]) && !s.leading(i), before-i > longestHeader:
			return noData
		}
	}
}

// leading tells white space that stands before a header.
func (s *scan) leading(at int) bool {
	for at >= s.passed && isSpace(s.buf[at]) {
		at--
	}
	return at < 0 || at >= s.passed && s.buf[at] == ';'
}

// finder finds a pattern at or after a place that only moves forward, without
// looking at a byte twice.
type finder struct {
	buf, find []byte
	at        int
	valid     bool
}

func (f *finder) from(place int) int {
	if f.valid && f.at >= place {
		return f.at
	}
	f.valid = true
	f.at = len(f.buf)
	if place < len(f.buf) {
		if i := bytes.Index(f.buf[place:], f.find); i >= 0 {
			f.at = place + i
		}
	}
	return f.at
}
