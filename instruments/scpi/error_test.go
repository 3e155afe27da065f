package scpi

import (
	"encoding/csv"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestEveryErrorOfTheStandardHasItsTextAndBit(t *testing.T) {
	// testdata/errors.csv names its sources at its head.
	file, err := os.Open("testdata/errors.csv")
	require.NoError(t, err)
	defer file.Close()
	r := csv.NewReader(file)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Equal(t, []string{"number", "text", "class", "esr_name", "esr_bit", "esr_weight", "seen_in", "how", "note"}, rows[0])
	rows = rows[1:]
	require.Len(t, standardTexts, len(rows), "the table has the same numbers")
	for _, row := range rows {
		number, err := strconv.Atoi(row[0])
		require.NoError(t, err)
		text, known := StandardText(number)
		require.True(t, known, row[0])
		require.Equal(t, row[1], text)
		weight := 0
		if row[5] != "0" && row[5] != "-" && row[5] != "" {
			weight, err = strconv.Atoi(row[5])
			require.NoError(t, err)
		}
		require.Equal(t, weight, int(eventBit(number)), "event bit of %d", number)

		e, err := ParseError(NewError(number, "").Entry())
		require.NoError(t, err)
		require.Equal(t, Error{number, text}, e)
	}
}

func TestPositiveErrorsAreTheDevicesOwn(t *testing.T) {
	// SCPI-99 volume 2, clause 21.8, and the event status bits of IEEE 488.2
	// clause 11.5.1, as an open SCPI library quotes them.
	require.Equal(t, byte(8), eventBit(201))
	require.Equal(t, Error{201, "above the over-voltage level"}, NewError(201, "above the over-voltage level"))
}

func TestErrorTextHasAtMost255Characters(t *testing.T) {
	// Waveform generator manual: 255 characters including the detail.
	e := NewError(-113, strings.Repeat("x", 400))
	require.Len(t, e.Text, 255)
	require.True(t, strings.HasPrefix(e.Text, "Undefined header;xxx"))
	require.Equal(t, "a?b??", NewError(1, "a\nb\xff\x80").Text, "only what may stand in an answer")
}

func TestParseError(t *testing.T) {
	tests := []struct {
		reply string
		want  Error
	}{
		{`-113,"Undefined header"`, Error{-113, "Undefined header"}},
		{`+0,"No error"`, Error{0, "No error"}}, // some instruments send the sign: instrument manuals
		{`0,"No error"`, Error{0, "No error"}},
		{` -222 , "Data out of range;VOLT ""9"", 10" ` + "\r", Error{-222, `Data out of range;VOLT "9", 10`}},
		{`-350,'Queue overflow'`, Error{-350, "Queue overflow"}},
		{`101,"Own error"`, Error{101, "Own error"}},
		{`-410,Query INTERRUPTED`, Error{-410, "Query INTERRUPTED"}},
		{`0,""`, Error{0, ""}},
	}
	for _, tt := range tests {
		t.Run(tt.reply, func(t *testing.T) {
			got, err := ParseError(tt.reply)
			require.NoError(t, err)
			require.Equal(t, tt.want, got)
		})
	}
	for _, reply := range []string{"", "0", "1.5", "72,13", "abc", `"No error"`, `0,"No error`, `0,"No error",1`, `1.0,"x"`, `99999,"x"`, "0,"} {
		t.Run("refused "+reply, func(t *testing.T) {
			_, err := ParseError(reply)
			require.ErrorContains(t, err, strconv.Quote(reply), "a late answer to another query must not look like an error queue's")
		})
	}
}

func TestErrorReadsAsASentence(t *testing.T) {
	require.EqualError(t, NewError(-222, "101 V"), "instrument error -222: Data out of range;101 V")
}
