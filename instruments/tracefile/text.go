package tracefile

import (
	"bytes"
	"encoding/binary"
	"errors"
	"unicode/utf16"
	"unicode/utf8"
)

// endOfFile is the mark with which old systems end a text.
const endOfFile = 0x1A

// decode gives the text of a file without byte order mark and end mark.
func decode(data []byte) ([]byte, error) {
	switch {
	case bytes.HasPrefix(data, []byte{0xEF, 0xBB, 0xBF}):
		data = data[3:]
	case bytes.HasPrefix(data, []byte{0xFF, 0xFE}):
		data = wide(data[2:], binary.LittleEndian)
	case bytes.HasPrefix(data, []byte{0xFE, 0xFF}):
		data = wide(data[2:], binary.BigEndian)
	}
	data = bytes.TrimRight(data, "\x00\r\n \t\x1a")
	switch {
	case len(data) == 0:
		return nil, errors.New("the file is empty")
	case bytes.IndexByte(data, 0) >= 0 || bytes.IndexByte(data, endOfFile) >= 0:
		return nil, errors.New("this is no text: it has bytes that no text has; export the trace as CSV")
	}
	return data, nil
}

func wide(data []byte, order binary.ByteOrder) []byte {
	units := make([]uint16, len(data)/2)
	for i := range units {
		units[i] = order.Uint16(data[2*i:])
	}
	out := make([]byte, 0, len(units))
	for _, r := range utf16.Decode(units) {
		out = utf8.AppendRune(out, r)
	}
	return out
}

// line cuts the first line off a text; it ends with LF, CRLF or CR.
func line(text []byte) (first, rest []byte) {
	i := bytes.IndexByte(text, '\n')
	if i < 0 {
		if i = bytes.IndexByte(text, '\r'); i < 0 {
			return text, nil
		}
		return text[:i], text[i+1:]
	}
	first, rest = text[:i], text[i+1:]
	if len(first) > 0 && first[len(first)-1] == '\r' {
		first = first[:len(first)-1]
	}
	return first, rest
}

// cells splits a line at a separator outside quotation marks, and trims spaces and quotation marks.
func cells(line []byte, separator byte) []string {
	var out []string
	quoted, from := false, 0
	for i := 0; i <= len(line); i++ {
		switch {
		case i == len(line) || line[i] == separator && !quoted:
			out = append(out, clean(line[from:i]))
			from = i + 1
		case line[i] == '"':
			quoted = !quoted
		}
	}
	return out
}

func clean(cell []byte) string {
	return string(bytes.TrimSpace(bytes.Trim(bytes.TrimSpace(cell), `"`)))
}
