package hands

import (
	"bytes"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

func TestLinesAreFoldedAtTheirBlanks(t *testing.T) {
	require.Equal(t, "note    one two\n        three", Fold("note    one two three", 16, 8))
	require.Equal(t, "note    one two three", Fold("note    one two three", 0, 8), "no terminal, no folding")
	require.Equal(t, "  >> ΩΩΩΩ µµµµ", Fold("  >> ΩΩΩΩ µµµµ", 14, 5), "characters are counted, not bytes")
	require.Zero(t, Width(&bytes.Buffer{}))
}

func FuzzFold(f *testing.F) {
	f.Add("note       control: its own protection, set and read back", 40, 11)
	f.Fuzz(func(t *testing.T, line string, width, hang int) {
		if !utf8.ValidString(line) || strings.ContainsAny(line, "\n") || width < leastWidth || width > 300 || hang < 0 || hang > 20 {
			return
		}
		folded := Fold(line, width, hang)
		require.Equal(t, strings.Fields(line), strings.Fields(folded), "no word is lost, none is broken")
		longest := 0
		for _, word := range strings.Split(line, " ") {
			longest = max(longest, utf8.RuneCountInString(word))
		}
		leading := len(line) - len(strings.TrimLeft(line, " "))
		for _, l := range strings.Split(folded, "\n") {
			fits := max(width, hang+longest, leading+longest)
			require.LessOrEqual(t, utf8.RuneCountInString(strings.TrimRight(l, " ")), fits)
		}
	})
}
