package report

import (
	"fmt"
	"strings"
	"sync"
	"unicode"

	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font/sfnt"
)

// alphabet is the font as it is asked which letters it has.
var alphabet = sync.OnceValues(func() (*sfnt.Font, error) { return sfnt.Parse(liberationsansregular.TTF) })

// drawable is a text in letters that the font of a PDF has; what it lacks is named by its number, so that nothing goes unsaid.
func drawable(text string) string {
	font, err := alphabet()
	if err != nil {
		return text
	}
	var buffer sfnt.Buffer
	var b strings.Builder
	for _, r := range text {
		glyph, err := font.GlyphIndex(&buffer, r)
		switch {
		case r == '\n':
			b.WriteRune(r)
		case unicode.IsControl(r):
			b.WriteByte(' ')
		case err != nil || glyph == 0:
			fmt.Fprintf(&b, "[%U]", r)
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// SplitText breaks a text into lines of a width.
func (p *sheets) SplitText(text string, width float64) []string {
	return p.Fpdf.SplitText(drawable(text), width)
}

// CellFormat writes a line.
func (p *sheets) CellFormat(width, height float64, text, border string, after int, align string, fill bool, link int, target string) {
	p.Fpdf.CellFormat(width, height, drawable(text), border, after, align, fill, link, target)
}
