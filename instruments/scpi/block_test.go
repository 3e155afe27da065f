package scpi

import (
	"bytes"
	"encoding/binary"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestBlockExamplesInPrint(t *testing.T) {
	// The headers are those printed in optical tester, analyzer and counter
	// manuals (definite and indefinite block pages); that 12320 bytes are 3080
	// 32-bit or 1540 64-bit numbers is computed.
	tests := []struct {
		header string
		bytes  int
	}{
		{"#15", 5},
		{"#213", 13},
		{"#800000080", 80},
		{"#512320", 3080 * 4},
		{"#512320", 1540 * 8},
		{"#18", 8},
		{"#10", 0},
	}
	for _, tt := range tests {
		t.Run(tt.header, func(t *testing.T) {
			content := bytes.Repeat([]byte("\n"), tt.bytes)
			data, rest, err := DecodeBlock(append([]byte(tt.header), append(content, "\r\n"...)...))
			require.NoError(t, err)
			require.Equal(t, content, append([]byte{}, data...))
			require.Equal(t, "\r\n", string(rest))
		})
	}
}

func TestEncodeBlock(t *testing.T) {
	// #15HELLO: optical tester manual, definite block page.
	require.Equal(t, "#15HELLO", string(EncodeBlock([]byte("HELLO"))))
	require.Equal(t, "#10", string(EncodeBlock(nil)))
	require.True(t, bytes.HasPrefix(EncodeBlock(make([]byte, 1_000_000)), []byte("#71000000")))
}

func TestBlockCarriesFloats(t *testing.T) {
	// Check bytes computed from IEEE 754 for FORMat REAL,32 and REAL,64 in normal
	// (big-endian) border, which counter and analyzer manuals describe.
	single := EncodeBlock(binary.BigEndian.AppendUint32(nil, math.Float32bits(-2.5)))
	require.Equal(t, "#14\xC0\x20\x00\x00", string(single))
	double := EncodeBlock(binary.BigEndian.AppendUint64(nil, math.Float64bits(1)))
	require.Equal(t, "#18\x3F\xF0\x00\x00\x00\x00\x00\x00", string(double))
}

func TestDecodeBlockSharesTheBytes(t *testing.T) {
	reply := EncodeBlock([]byte("HELLO"))
	data, _, err := DecodeBlock(reply)
	require.NoError(t, err)
	require.Same(t, &reply[3], &data[0])
	require.Equal(t, len(data), cap(data), "an append must not write over what follows")
}

func TestDecodeBlockTakesAnIndefiniteBlockWhole(t *testing.T) {
	data, rest, err := DecodeBlock([]byte("#0a\nb\n"))
	require.NoError(t, err)
	require.Equal(t, "a\nb\n", string(data))
	require.Empty(t, rest)
}

func TestDecodeBlockRefusesWhatIsNone(t *testing.T) {
	tests := []struct{ reply, wantErr string }{
		{"", "does not start with #"},
		{"1.5", `"1.5" does not start with #`},
		{" #15HELLO", "does not start with #"},
		{"#", "cut short"},
		{"#H2F", "no digit after #"},
		{"#2", "cut short"},
		{"#21", "cut short"},
		{"#2x3abc", "is not 2 digits"},
		{"#3-10abc", "is not 3 digits"},
		{"#15HELL", "says 5 bytes, 4 arrived"},
		{"#9999999999x", "says 999999999 bytes, 1 arrived"},
	}
	for _, tt := range tests {
		t.Run(tt.reply, func(t *testing.T) {
			_, _, err := DecodeBlock([]byte(tt.reply))
			require.ErrorContains(t, err, tt.wantErr)
			require.Less(t, len(err.Error()), 200)
		})
	}
	_, _, err := DecodeBlock([]byte(strings.Repeat("x", 1000)))
	require.Less(t, len(err.Error()), 200, "the error quotes the start only")
}
