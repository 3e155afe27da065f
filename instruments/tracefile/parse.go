package tracefile

import (
	"bytes"
	"math"
	"slices"
)

type parser struct {
	file    *File
	options Options
	text    []byte
	layout  layout
	head    []headRow
	columns [][]float64 // one a column of layout; NaN where the cell is empty
	first   int         // line of the first row of data, from 1
}

// headRow is a row above the data.
type headRow struct {
	line  int
	cells []string
}

// longestHead is how many rows a head may have before the file is taken for something else.
const longestHead = 10000

func (p *parser) parse() error {
	l, ok := layoutOf(p.text)
	if !ok {
		return p.file.fault(0, "the rows in its middle hold no numbers: this is no export of a trace")
	}
	p.layout = l
	rest, err := p.readHead()
	if err != nil {
		return err
	}
	if err := p.readRows(rest); err != nil {
		return err
	}
	return p.channels()
}

// readHead takes the rows above the data and returns the text from the first row of data on.
func (p *parser) readHead() ([]byte, error) {
	for at, rest := 1, p.text; rest != nil; at++ {
		row, after := line(rest)
		split := cells(row, p.layout.separator)
		if p.layout.isData(split) {
			p.first = at
			p.settings()
			p.besides(rest)
			return rest, nil
		}
		if at > longestHead {
			break
		}
		p.head = append(p.head, headRow{at, split})
		rest = after
	}
	return nil, p.file.fault(0, "no row of data was found")
}

// besides takes the settings that share their rows with data.
func (p *parser) besides(rest []byte) {
	for at := p.first; rest != nil; at++ {
		var row []byte
		row, rest = line(rest)
		split := cells(row, p.layout.separator)
		if len(split) < 2 || split[0] == "" || slices.Contains(p.layout.columns, 0) {
			return
		}
		p.file.Settings = append(p.file.Settings, Setting{at, key(split[0]), split[1]})
	}
}

// readRows reads the columns of numbers, one pass over the text.
func (p *parser) readRows(text []byte) error {
	one, _ := line(text)
	rows := len(text)/(len(one)+1) + 16
	p.columns = make([][]float64, len(p.layout.columns))
	for i := range p.columns {
		p.columns[i] = make([]float64, 0, rows)
	}
	into := make([]float64, len(p.columns))
	for at := p.first; text != nil; at++ {
		var row []byte
		row, text = line(text)
		if !p.layout.read(row, into) {
			if len(bytes.TrimSpace(row)) == 0 {
				continue
			}
			if p.anyData(text) {
				return p.file.fault(at, "%q is no row of data, and more data follow: two records in one file, or a damaged one; cut it there", short(row))
			}
			p.file.note("from line %d on there are no data: left out", at)
			return nil
		}
		for i, x := range into {
			p.columns[i] = append(p.columns[i], x)
		}
	}
	return nil
}

func short(row []byte) string {
	if len(row) > 40 {
		return string(row[:40]) + " ..."
	}
	return string(row)
}

func (p *parser) anyData(text []byte) bool {
	into := make([]float64, len(p.columns))
	for text != nil {
		var row []byte
		if row, text = line(text); p.layout.read(row, into) {
			return true
		}
	}
	return false
}

// read reads the numbers of one row; false where a cell that should hold one holds something else, or all are empty.
func (l layout) read(row []byte, into []float64) bool {
	if bytes.IndexByte(row, '"') >= 0 {
		return l.readQuoted(row, into)
	}
	column, next, held := 0, 0, false
	for i := range into {
		into[i] = math.NaN()
	}
	for from := 0; next < len(l.columns); column++ {
		to := from
		for to < len(row) && row[to] != l.separator {
			to++
		}
		if column == l.columns[next] {
			cell := trim(row[from:to])
			if len(cell) > 0 {
				x, ok := number(cell, l.point)
				if !ok {
					return false
				}
				into[next], held = x, true
			}
			next++
		}
		if to >= len(row) {
			break
		}
		from = to + 1
	}
	return held
}

func trim(cell []byte) []byte {
	for len(cell) > 0 && (cell[0] == ' ' || cell[0] == '\t') {
		cell = cell[1:]
	}
	for len(cell) > 0 && (cell[len(cell)-1] == ' ' || cell[len(cell)-1] == '\t' || cell[len(cell)-1] == '\r') {
		cell = cell[:len(cell)-1]
	}
	return cell
}

func (l layout) readQuoted(row []byte, into []float64) bool {
	split, held := cells(row, l.separator), false
	for i, c := range l.columns {
		into[i] = math.NaN()
		if c >= len(split) || split[c] == "" {
			continue
		}
		x, ok := number([]byte(split[c]), l.point)
		if !ok {
			return false
		}
		into[i], held = x, true
	}
	return held
}
