package scpi

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestFramingFindsTheEndOfAnAnswer(t *testing.T) {
	lf, crlf, cr := "\n", "\r\n", "\r"
	tests := []struct {
		name, eol, buf string
		answer, rest   string
	}{
		{"line feed", lf, "1.5\n2.5\n", "1.5", "2.5\n"},
		{"no EOL told means line feed", "", "1.5\n", "1.5", ""},
		{"a carriage return before it belongs to it", lf, "1.5\r\n", "1.5", ""},
		{"carriage return and line feed", crlf, "1.5\r\nx", "1.5", "x"},
		{"a lone line feed is text there", crlf, "1\n2\r3\r\n", "1\n2\r3", ""},
		{"carriage return", cr, "1.5\r2.5", "1.5", "2.5"},
		{"empty answer", lf, "\nx", "", "x"},
		{"string", lf, "\"a\nb\"\nx", "\"a\nb\"", "x"},
		{"single quotes", lf, "'a\nb'\n", "'a\nb'", ""},
		{"doubled quote", lf, "\"a\"\"\nb\"\n", "\"a\"\"\nb\"", ""},
		{"string after a number", lf, "-113, \"a\nb\"\n", "-113, \"a\nb\"", ""},
		{"string after a header", lf, "SYST:ERR \"a\nb\"\n", "SYST:ERR \"a\nb\"", ""},
		{"string after a unit", lf, "1;\"a\nb\";2\n", "1;\"a\nb\";2", ""},
		{"a quote inside a word is text", lf, "5\" display\n", "5\" display", ""},
		{"an apostrophe is text", lf, "it's\n", "it's", ""},
		{"a quote after words is text", lf, "Bench 5 \"a\nb\"\n", "Bench 5 \"a", "b\"\n"},
		{"block", lf, "#3003a\nb\nx", "#3003a\nb", "x"},
		{"block with carriage return and line feed in it", crlf, "#13\r\n!\r\n", "#13\r\n!", ""},
		{"block that ends with a carriage return keeps it", lf, "#13ab\r\n", "#13ab\r", ""},
		{"block, then carriage return and line feed", lf, "#13ab\r\r\n", "#13ab\r", ""},
		{"empty block", lf, "#10\n", "#10", ""},
		{"white space before a block", lf, " \t#12\n\n\n", " \t#12\n\n", ""},
		{"block after a header", lf, "CURV #12\n\n\n", "CURV #12\n\n", ""},
		{"block after a header path of a second unit", lf, "1.5;:WAV:DATA #12\n\n\n", "1.5;:WAV:DATA #12\n\n", ""},
		{"block after a comma", lf, "1,2, #12\n\n\n", "1,2, #12\n\n", ""},
		{"two blocks", lf, "#12\n\n,#12\n\n\n", "#12\n\n,#12\n\n", ""},
		{"block and string", lf, "#12\n\n,\"\n\"\n", "#12\n\n,\"\n\"", ""},
		{"string and block", lf, "\"#12\",#12\n\n\n", "\"#12\",#12\n\n", ""},
		{"non-decimal number", lf, "#H2F\n", "#H2F", ""},
		{"a number sign in words is text", lf, "Bench #2\n", "Bench #2", ""},
		{"what is too long for a header is text", lf, strings.Repeat("A", 300) + " #12\n", strings.Repeat("A", 300) + " #12", ""},
		{"a number sign in the first word is text", lf, "A#15\n", "A#15", ""},
		{"what follows a block is still its answer", lf, "#12\n\nx#2\n", "#12\n\nx#2", ""},
		{"the terminator may lie far on", lf, strings.Repeat("1.5,", 5000) + "\n", strings.Repeat("1.5,", 5000), ""},
		{"a terminator across the edge of the search window", crlf, strings.Repeat("x", 1023) + "\r\n", strings.Repeat("x", 1023), ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			end, next, need, err := Framing{EOL: tt.eol}.End([]byte(tt.buf))
			require.NoError(t, err)
			require.GreaterOrEqual(t, end, 0)
			require.Zero(t, need)
			require.Equal(t, tt.answer, tt.buf[:end])
			require.Equal(t, tt.rest, tt.buf[next:])
		})
	}
}

func TestFramingTellsHowMuchIsMissing(t *testing.T) {
	tests := []struct {
		name, eol, buf string
		need           int
	}{
		{"nothing yet", "\n", "", 1},
		{"text", "\n", "1.5", 1},
		{"half a terminator", "\r\n", "1.5\r", 1},
		{"open string", "\n", "\"abc\n", 1},
		{"string that may go on", "\n", "\"abc\"", 1},
		{"number sign", "\n", "#", 1},
		{"block header without its length", "\n", "#6", 1},
		{"block header with half its length", "\n", "#6123", 1},
		{"the block and its terminator", "\n", "#15", 6},
		{"the rest of the block and its terminator", "\r\n", "#15HEL", 4},
		{"the terminator after a block", "\n", "#15HELLO", 1},
		{"a large block", "\n", "#71000000" + strings.Repeat("\n", 1000), 999_001},
		{"a block after a header", "\n", "CURV #3500x", 500},
		{"a second block", "\n", "#11x,#14ab", 3},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			end, _, need, err := Framing{EOL: tt.eol}.End([]byte(tt.buf))
			require.NoError(t, err)
			require.Negative(t, end)
			require.Equal(t, tt.need, need)
		})
	}
}

func TestFramingRefusesWhatItCannotEnd(t *testing.T) {
	f := Framing{EOL: "\n"}
	// An indefinite block needs END, which a stream has not (optical tester
	// manual, indefinite block page); its bytes may equal NL.
	for _, buf := range []string{"#0ab\n", "1,#0ab\n", "CURV #0ab\n"} {
		_, _, _, err := f.End([]byte(buf))
		require.ErrorIs(t, err, ErrIndefinite, buf)
	}
	for _, buf := range []string{"#5abc\n", "1,#21x\n"} {
		_, _, _, err := f.End([]byte(buf))
		require.ErrorIs(t, err, errNotBlock, buf)
	}
}

func TestFramingAtTheEndOfTheConnection(t *testing.T) {
	f := Framing{EOL: "\n"}
	end, next, _, err := f.EndAtClose([]byte("#0a\nb\n\n"))
	require.NoError(t, err)
	require.Equal(t, len("#0a\nb\n"), end)
	require.Equal(t, len("#0a\nb\n\n"), next)

	end, next, _, err = f.EndAtClose([]byte("1.5\r\n2"))
	require.NoError(t, err)
	require.Equal(t, 3, end)
	require.Equal(t, 5, next)

	for _, cut := range []string{"", "1.2", "#15HEL", "\"abc"} {
		_, _, _, err = f.EndAtClose([]byte(cut))
		require.ErrorIs(t, err, io.ErrUnexpectedEOF, "%q may be half of an answer", cut)
	}
}

// sink keeps the benchmark's result alive.
var sink int

// BenchmarkFraming reads a block of one million points as a link does, in pieces
// of 64 KiB, asking for the end after each. The physical limit beside it is one
// copy of the same bytes.
func BenchmarkFraming(b *testing.B) {
	const piece = 64 << 10
	points := bytes.Repeat([]byte{127, 128, 129, 126}, 250_000) // no byte looks like a mark: the worst case for a search
	wave := append(EncodeBlock(points), '\n')
	ascii := []byte(strings.Repeat("1.2500E-01,", 1_000_000) + "1.0\n")
	for _, bb := range []struct {
		name string
		wave []byte
	}{{"block", wave}, {"header and block", append([]byte("CURV "), wave...)}, {"text", ascii}} {
		b.Run(bb.name, func(b *testing.B) {
			b.SetBytes(int64(len(bb.wave)))
			for b.Loop() {
				end := -1
				for n := piece; end < 0; n += piece {
					end, _, _, _ = Framing{EOL: "\n"}.End(bb.wave[:min(n, len(bb.wave))])
				}
				sink += end
			}
		})
	}
	b.Run("bare copy", func(b *testing.B) {
		b.SetBytes(int64(len(wave)))
		to := make([]byte, len(wave))
		for b.Loop() {
			sink += copy(to, wave)
		}
	})
}
