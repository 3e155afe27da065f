package scpi

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
)

// ErrIndefinite is a block whose length is not told (#0): only the end of the
// connection ends it, since its bytes may equal any terminator.
var ErrIndefinite = errors.New("the answer is a block of untold length (#0), which only the end of the connection ends")

// mostBlockBytes is what nine length digits can tell (IEEE 488.2, definite
// length arbitrary block).
const mostBlockBytes = 999_999_999

// EncodeBlock puts data into a definite-length block: #, one digit that counts
// the length digits, the length, the bytes. It panics beyond 999 999 999 bytes,
// which no block can hold.
func EncodeBlock(data []byte) []byte {
	if len(data) > mostBlockBytes {
		panic(fmt.Sprintf("scpi: a block of %d bytes: at most %d fit", len(data), mostBlockBytes))
	}
	length := strconv.Itoa(len(data))
	block := make([]byte, 0, 2+len(length)+len(data))
	block = append(block, '#', byte('0'+len(length)))
	block = append(block, length...)
	return append(block, data...)
}

// DecodeBlock takes the block that reply starts with apart; data and rest are
// parts of reply, nothing is copied. An indefinite block takes everything: reply
// comes without its terminator (Framing.EndAtClose).
func DecodeBlock(reply []byte) (data, rest []byte, err error) {
	if bytes.HasPrefix(reply, []byte("#0")) {
		return reply[2:], nil, nil
	}
	h, err := readBlockHeader(reply)
	if err != nil {
		return nil, nil, err
	}
	if !h.complete(len(reply)) {
		if h.partial {
			return nil, nil, fmt.Errorf("the block header %s is cut short", quote(string(reply)))
		}
		return nil, nil, fmt.Errorf("the block is cut short: it says %d bytes, %d arrived", h.length, len(reply)-h.size)
	}
	end := h.size + h.length
	return reply[h.size:end:end], reply[end:], nil
}

// blockHeader is the start of a definite-length block: size bytes that tell
// length bytes of data. A partial header has not fully arrived, and tells no
// length.
type blockHeader struct {
	size, length int
	partial      bool
}

func (h blockHeader) complete(available int) bool {
	return !h.partial && available-h.size >= h.length
}

// missing tells how many bytes of an incomplete block are still to come.
func (h blockHeader) missing(available int) int { return h.size + h.length - available }

// errNotBlock is text that looks like a block's start and is none.
var errNotBlock = errors.New("not a block")

// readBlockHeader reads # digit length. A header that may still become one as
// more bytes arrive is partial, not an error.
func readBlockHeader(buf []byte) (blockHeader, error) {
	if len(buf) == 0 || buf[0] != '#' {
		return blockHeader{}, fmt.Errorf("%w: %s does not start with #", errNotBlock, quoteStart(buf))
	}
	if len(buf) == 1 {
		return blockHeader{partial: true}, nil
	}
	if buf[1] == '0' {
		return blockHeader{}, ErrIndefinite
	}
	if !isDigit(buf[1]) {
		return blockHeader{}, fmt.Errorf("%w: %s has no digit after #", errNotBlock, quoteStart(buf))
	}
	h := blockHeader{size: 2 + int(buf[1]-'0')}
	for _, c := range buf[2:min(h.size, len(buf))] {
		if !isDigit(c) {
			return blockHeader{}, fmt.Errorf("%w: the length in %s is not %c digits", errNotBlock, quoteStart(buf), buf[1])
		}
		h.length = h.length*10 + int(c-'0')
	}
	if len(buf) < h.size {
		return blockHeader{partial: true}, nil
	}
	return h, nil
}

func quoteStart(buf []byte) string {
	return strconv.Quote(string(buf[:min(12, len(buf))]))
}
