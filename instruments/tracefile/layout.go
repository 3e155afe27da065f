package tracefile

import (
	"bytes"
	"slices"
)

// layout is how the rows of a file's data are written.
type layout struct {
	separator byte
	point     byte  // the decimal point
	columns   []int // those that hold numbers, from 0
}

// sampled is how many rows in the middle of a file tell its layout: head and foot are not there.
const sampled = 64

// layoutOf finds how the rows in the middle of a text are written. ok is false where they hold no numbers.
func layoutOf(text []byte) (l layout, ok bool) {
	rows := middle(text)
	l.separator, l.point = ',', '.'
	for _, s := range []byte{'\t', ';'} {
		if all(rows, func(row []byte) bool { return bytes.IndexByte(row, s) >= 0 }) {
			l.separator = s
			break
		}
	}
	if l.separator != ',' && all(rows, func(row []byte) bool { return bytes.IndexByte(row, '.') < 0 }) &&
		bytes.IndexByte(bytes.Join(rows, nil), ',') >= 0 {
		l.point = ','
	}
	seen, spoilt := map[int]int{}, map[int]int{}
	width := 0
	for _, row := range rows {
		for i, cell := range cells(row, l.separator) {
			width = max(width, i+1)
			if cell == "" {
				continue
			}
			if _, read := number([]byte(cell), l.point); read {
				seen[i]++
			} else {
				spoilt[i]++
			}
		}
	}
	for i := range width {
		if seen[i] > 4*spoilt[i] { // a damaged row among them is told where it stands
			l.columns = append(l.columns, i)
		}
	}
	return l, len(l.columns) > 0
}

// middle takes rows from the middle of a text, or all where there are few.
func middle(text []byte) [][]byte {
	lines := bytes.Count(text, []byte{'\n'}) + 1
	if lines == 1 {
		lines = bytes.Count(text, []byte{'\r'}) + 1
	}
	skip := 0
	if lines > sampled {
		skip = lines/2 - sampled/2
	} else {
		skip = lines / 2
	}
	var rows [][]byte
	for rest := text; rest != nil && len(rows) < sampled; skip-- {
		var row []byte
		row, rest = line(rest)
		if skip <= 0 && len(bytes.TrimSpace(row)) > 0 {
			rows = append(rows, row)
		}
	}
	return rows
}

func all(rows [][]byte, holds func([]byte) bool) bool {
	return len(rows) > 0 && !slices.ContainsFunc(rows, func(row []byte) bool { return !holds(row) })
}

// isData says whether a row is one of data: its columns of numbers hold numbers or nothing, and no word stands directly
// before the first of them, as a setting's name does.
func (l layout) isData(row []string) bool {
	held := false
	for _, c := range l.columns {
		if c >= len(row) || row[c] == "" {
			continue
		}
		if _, ok := number([]byte(row[c]), l.point); !ok {
			return false
		}
		held = true
	}
	for i, cell := range row {
		if cell == "" {
			continue
		}
		if slices.Contains(l.columns, i) {
			break
		}
		return held && !slices.Contains(l.columns, i+1)
	}
	return held
}
