package report

import (
	"bytes"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"strings"

	"benchwarden/daemon/picture"
	"benchwarden/daemon/verdict"
)

//go:embed page.html
var pageText string

var page = template.Must(template.New("document").Funcs(template.FuncMap{
	"put":   func(Block) template.HTML { return "" }, // set for each document
	"shape": func(o verdict.Outcome) template.HTML { return shapeOf(o).svg("shape") },
	"curve": func(found string) template.HTML { return curveOf(found).svg("curve") },
	"shade": shade,
	"words": strings.Fields,
	"image": dataURL,
}).Parse(pageText))

// svg is the shape as an inline drawing.
func (s shape) svg(class string) template.HTML {
	fill := "none"
	if s.filled {
		fill = "currentColor"
	}
	return template.HTML(fmt.Sprintf(`<svg class="%s" viewBox="-0.05 -0.05 1.1 1.1" preserveAspectRatio="none" aria-hidden="true"><path d="%s" fill="%s"/></svg>`, class, s.path(), fill))
}

func dataURL(p Photo) template.URL {
	return template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(p.Data))
}

// HTML writes the document as one file that needs nothing else: no script, no other file, no network.
func (d *Document) HTML(w io.Writer) error {
	own, err := page.Clone()
	if err != nil {
		return err
	}
	var failed error
	own.Funcs(template.FuncMap{"put": func(b Block) template.HTML {
		var out bytes.Buffer
		err := own.ExecuteTemplate(&out, b.kind(), b)
		if failed == nil {
			failed = err
		}
		return template.HTML(out.String())
	}})
	var out bytes.Buffer
	if err := own.Execute(&out, d); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	if failed != nil {
		return fmt.Errorf("report: %w", failed)
	}
	_, err = w.Write(out.Bytes())
	return err
}

// Drawing is the figure as an inline drawing.
func (f Figure) Drawing() (template.HTML, error) {
	var out bytes.Buffer
	if err := f.SVG(&out, picture.Wide); err != nil {
		return "", err
	}
	text := out.String()
	if i := strings.Index(text, "<svg"); i > 0 {
		text = text[i:] // a page has no place for a second head
	}
	return template.HTML(text), nil
}

// Notice says what the document has to carry on every page.
func (d *Document) Notice() string {
	if d.Simulated {
		return notMeasured
	}
	return ""
}
