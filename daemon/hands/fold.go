package hands

import (
	"io"
	"os"
	"strings"
	"unicode/utf8"

	"golang.org/x/term"
)

// leastWidth is the narrowest terminal in which lines are folded; a narrower one breaks them where it likes.
const leastWidth = 40

// Width is how many characters a line of a terminal holds; 0 where out is none, or is too narrow to fold for.
func Width(out io.Writer) int {
	file, ok := out.(*os.File)
	if !ok {
		return 0
	}
	width, _, err := term.GetSize(int(file.Fd()))
	if err != nil || width < leastWidth {
		return 0
	}
	return width
}

// Fold breaks a line at its blanks, so that it fits a terminal of that width (0: as it is). What follows the break is indented by
// hang characters.
func Fold(line string, width, hang int) string {
	if width == 0 || utf8.RuneCountInString(line) <= width {
		return line
	}
	var b strings.Builder
	text := strings.TrimLeft(line, " ")
	pending := len(line) - len(text) // blanks before the next word
	at, fresh := 0, true
	for text != "" {
		word, _, _ := strings.Cut(text, " ")
		text = text[len(word):]
		n := utf8.RuneCountInString(word)
		if at+pending+n > width && !fresh {
			b.WriteString("\n" + strings.Repeat(" ", hang))
			at, pending = hang, 0
		}
		b.WriteString(strings.Repeat(" ", pending) + word)
		at, fresh = at+pending+n, false
		next := strings.TrimLeft(text, " ")
		pending, text = len(text)-len(next), next
	}
	return b.String()
}
