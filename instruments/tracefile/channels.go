package tracefile

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// channels makes traces of the columns.
func (p *parser) channels() error {
	labels := p.labels()
	p.unique(labels)
	if n := min(p.options.Skip, len(p.columns[0])); n > 0 {
		p.cut(n, len(p.columns[0]))
		p.file.note("the first %d rows are left out, as asked", n)
	}
	if n, s := p.announced(); n > 0 && n != len(p.columns[0]) {
		p.file.note("%s announces %d samples, the file holds %d", quoted(s), n, len(p.columns[0]))
	}
	axis, err := p.axis(labels)
	if err != nil {
		return err
	}
	if !p.options.AllRows {
		p.foreignRows(axis.column)
		axis.start = axis.at(p)
	}
	for i, l := range labels {
		if i == axis.column || i == axis.index {
			continue
		}
		if err := p.channel(i, l, axis); err != nil {
			return err
		}
	}
	if len(p.file.Channels) == 0 {
		return p.file.fault(0, "it holds no trace%s", p.notAmong(labels))
	}
	return nil
}

func (p *parser) notAmong(labels []label) string {
	if len(p.options.Columns) == 0 {
		return ""
	}
	var names []string
	for i, l := range labels {
		names = append(names, p.nameOf(i, l))
	}
	return fmt.Sprintf(" of the name %s; it has: %s", strings.Join(p.options.Columns, ", "), strings.Join(names, ", "))
}

// unique tells columns of one name apart.
func (p *parser) unique(labels []label) {
	times := map[string]int{}
	for _, l := range labels {
		times[l.name]++
	}
	for i, l := range labels {
		if l.name != "" && times[l.name] > 1 {
			labels[i].name = fmt.Sprintf("%s, column %d", l.name, p.layout.columns[i]+1)
		}
	}
}

func (p *parser) nameOf(i int, l label) string {
	if l.name == "" {
		return "column " + strconv.Itoa(p.layout.columns[i]+1)
	}
	return l.name
}

func (p *parser) wanted(i int, l label) bool {
	if len(p.options.Columns) == 0 {
		return true
	}
	number := strconv.Itoa(p.layout.columns[i] + 1)
	return slices.ContainsFunc(p.options.Columns, func(c string) bool { return strings.EqualFold(c, l.name) || c == number })
}

// cut keeps the rows from one to before another.
func (p *parser) cut(from, to int) {
	for i := range p.columns {
		p.columns[i] = p.columns[i][from:to]
	}
	p.first += from
}

func (p *parser) channel(i int, l label, a axis) error {
	if !p.wanted(i, l) {
		return nil
	}
	from, to := longest(p.columns[i])
	name := p.nameOf(i, l)
	switch {
	case to == from:
		p.file.note("%s holds nothing: left out", name)
		return nil
	case to-from < len(p.columns[i]):
		p.file.note("%s has empty cells; kept is its longest stretch without one, lines %d to %d", name, p.first+from, p.first+to-1)
	}
	unit, by, err := p.unit(name, l)
	if err != nil {
		return err
	}
	if p.options.Factor != 0 {
		by *= p.options.Factor
	}
	values := p.columns[i][from:to]
	if by != 1 {
		for k := range values {
			values[k] *= by
		}
	}
	t := waveform.FromFloat64(values).WithResolution(quantity.Volts(resolution(values)))
	t.Name, t.Step = name, quantity.Seconds(a.step)
	t.Start = quantity.Seconds(a.start + float64(from)*a.step)
	p.file.Channels = append(p.file.Channels, Channel{Column: p.layout.columns[i] + 1, Unit: unit, Trace: t})
	return nil
}

// unit is the unit of a column and what turns its numbers into base units.
func (p *parser) unit(name string, l label) (quantity.Unit, float64, error) {
	if l.said {
		return l.unit, l.by, nil
	}
	if p.options.Unit == "" {
		return quantity.Unit{}, 0, &Unsaid{p.file.Name, "the unit of " + name, "neither behind its name nor in a row of units", "--unit, for instance --unit mV"}
	}
	unit, by, ok := unitOf(p.options.Unit)
	if !ok {
		return quantity.Unit{}, 0, fmt.Errorf("--unit %s: no unit that is known here; write V, mV, A", p.options.Unit)
	}
	return unit, by, nil
}

// longest is the longest stretch of a column without an empty cell.
func longest(column []float64) (from, to int) {
	begin := 0
	for i := 0; i <= len(column); i++ {
		if i < len(column) && !math.IsNaN(column[i]) {
			continue
		}
		if i-begin > to-from {
			from, to = begin, i
		}
		begin = i + 1
	}
	return from, to
}
