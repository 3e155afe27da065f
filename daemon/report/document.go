// Package report turns what the record holds of a job, or of a single run, into a document that people read and sign: a customer's
// sheet or the full record, as one HTML file or as a PDF of the same content.
package report

import (
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"benchwarden/daemon/event"
	"benchwarden/daemon/picture"
	"benchwarden/daemon/verdict"
)

// Document is the content of a report, whatever form it is written in.
type Document struct {
	Title     string
	Shop      string // who reports, empty where nobody said
	Foot      string // what stands at the foot of every page
	Simulated bool   // some of it was not measured on a drive
	OneSheet  bool   // it has to stand on one
	Blocks    []Block
}

// Block is one part of a document, from top to bottom.
type Block interface{ kind() string }

// Result is what it all came to, in a word that stands out.
type Result struct {
	Word  string
	Lines []string
}

// Heading begins a section; level 1 is the first below the title. That of a run has its outcome beside it.
type Heading struct {
	Level   int
	Text    string
	Outcome verdict.Outcome
}

// Text is a paragraph.
type Text struct {
	Text  string
	Small bool
}

// Facts are names with their values, two columns.
type Facts []Fact

// Fact is one of them.
type Fact struct{ Name, Value string }

// Notice is what nobody may overlook: a trip, an override, a finding, a caution.
type Notice struct {
	Title string
	Lines []string
}

// Table has a row for each thing; widths are shares of the page.
type Table struct {
	Columns []Column
	Rows    [][]Cell
}

// Column is a table's column.
type Column struct {
	Title string
	Share float64
}

// Cell is a word or a sentence, or an outcome that is shown as word and shape.
type Cell struct {
	Text    string
	Outcome verdict.Outcome
}

// GateChart is the sweep's result: gate channels by Hall states and directions.
type GateChart struct{ event.Chart }

// Figure is a picture with its caption.
type Figure struct {
	picture.Chart
	Caption string
}

// Photo is a picture that a person took, as JPEG.
type Photo struct {
	Data    []byte
	Caption string
}

// Signatures are lines to sign on, each for one role.
type Signatures []string

func (Result) kind() string     { return "result" }
func (Heading) kind() string    { return "heading" }
func (Text) kind() string       { return "text" }
func (Facts) kind() string      { return "facts" }
func (Notice) kind() string     { return "notice" }
func (Table) kind() string      { return "table" }
func (GateChart) kind() string  { return "chart" }
func (Figure) kind() string     { return "figure" }
func (Photo) kind() string      { return "photo" }
func (Signatures) kind() string { return "signatures" }

// cautions stand in every document (P9).
var cautions = Notice{Title: "Before anybody touches the drive", Lines: []string{
	"This document tells what was measured and when. It does not say that anything is safe to touch: prove the DC bus dead with a proven meter (live, dead, live) first.",
	"The program that wrote it is no emergency stop, and no safety integrity level is claimed for it. Local codes and licensed practice come first.",
}}

const notMeasured = "SIMULATED: figures of simulated runs were not measured on a drive."

func clock(t time.Time) string { return t.Local().Format("2006-01-02 15:04") }

func (d *Document) add(blocks ...Block) { d.Blocks = append(d.Blocks, blocks...) }

func row(cells ...string) []Cell {
	out := make([]Cell, len(cells))
	for i, c := range cells {
		out[i].Text = c
	}
	return out
}

// Percent is each column's part of the width.
func (t Table) Percent() []float64 {
	total := 0.0
	for _, c := range t.Columns {
		total += c.Share
	}
	parts := make([]float64, len(t.Columns))
	for i, c := range t.Columns {
		parts[i] = 100 * c.Share / total
	}
	return parts
}

// withoutEmpty leaves out the columns that no row fills.
func (t Table) withoutEmpty() Table {
	var columns []Column
	rows := make([][]Cell, len(t.Rows))
	for i, column := range t.Columns {
		if !slices.ContainsFunc(t.Rows, func(cells []Cell) bool { return cells[i] != Cell{} }) {
			continue
		}
		columns = append(columns, column)
		for k, cells := range t.Rows {
			rows[k] = append(rows[k], cells[i])
		}
	}
	return Table{columns, rows}
}

// Timing has the timing of each leg; what was not seen is left open.
func (c GateChart) Timing() Table {
	t := Table{Columns: []Column{{"leg", 6}, {"dead time, high to low", 18}, {"low to high", 14}, {"longest overlap", 14}, {"outcome", 14}, {"where, why", 34}}}
	for _, l := range c.Legs {
		cells := row(l.Leg, l.DeadHL.String(), l.DeadLH.String(), l.Overlap.String(), "", strings.Join(lines(l.Captured, l.Reason), "; "))
		if l.Outcome != verdict.Pass && l.Outcome != verdict.Fail && l.DeadHL == 0 && l.DeadLH == 0 {
			cells = row(l.Leg, "", "", "", "", strings.Join(lines(l.Captured, l.Reason), "; "))
		}
		cells[4].Outcome = l.Outcome
		t.Rows = append(t.Rows, cells)
	}
	return t
}

// capital begins a text with a capital letter.
func capital(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	if first == utf8.RuneError {
		return text
	}
	return string(unicode.ToUpper(first)) + text[size:]
}
