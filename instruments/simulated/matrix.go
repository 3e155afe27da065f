package simulated

import (
	"fmt"
	"slices"
	"strings"
	"sync"

	"benchwarden/instruments/scpi"
	"benchwarden/instruments/simulated/plant"
)

// The rows of the matrix, from 1: they carry the meter's leads. The bench file says the same.
const (
	rowHigh = 1
	rowLow  = 2
)

// A closed contact with its wire, and how far the paths differ from each other: ohm (practice). The bench file states the latter.
const (
	pathOhms   = 0.3
	pathSpread = 0.03
)

// matrix is the switch matrix: two rows, a column for each point of the dead drive.
type matrix struct {
	scpiInstrument
	p      *plant.Plant
	points []string

	mu     sync.Mutex
	closed map[scpi.Path]bool
}

// newMatrix makes the matrix, everything open. A contact moves in some milliseconds.
func (b *Bench) newMatrix(p *plant.Plant) *matrix {
	m := &matrix{scpiInstrument: *b.newSCPI("matrix", "matrix"), p: p, points: p.ColdPoints(), closed: map[scpi.Path]bool{}}
	m.Handle("[ROUTe:]CLOSe", scpi.Command{Takes: 1, Do: m.set(true), AskTakes: 1, Ask: m.state(true)})
	m.Handle("[ROUTe:]OPEN", scpi.Command{Takes: 1, Do: m.set(false), AskTakes: 1, Ask: m.state(false)})
	m.Handle("[ROUTe:]OPEN:ALL", scpi.Command{Do: func(c *scpi.Call) error {
		c.Await(m.ops.later(m.pace.of(contactTime), m.openAll))
		return nil
	}})
	m.query("[ROUTe:]CLOSe:STATe", func(*scpi.Call) (string, error) {
		list := m.list()
		return fmt.Sprintf("#%d%d%s", len(fmt.Sprint(len(list))), len(list), list), nil
	})
	m.Reset = m.openAll
	return m
}

func (m *matrix) openAll() {
	m.mu.Lock()
	defer m.mu.Unlock()
	clear(m.closed)
}

func (m *matrix) paths(c *scpi.Call) ([]scpi.Path, error) {
	list, err := c.Paths(0)
	for _, p := range list {
		if p.Row < rowHigh || p.Row > rowLow || p.Column < 1 || p.Column > len(m.points) {
			return nil, scpi.NewError(-222, fmt.Sprintf("%d!%d: there are rows 1 and 2, columns 1 to %d", p.Row, p.Column, len(m.points)))
		}
	}
	return list, err
}

func (m *matrix) set(closed bool) func(*scpi.Call) error {
	return func(c *scpi.Call) error {
		list, err := m.paths(c)
		if err != nil {
			return err
		}
		c.Await(m.ops.later(m.pace.of(contactTime), func() {
			m.mu.Lock()
			for _, p := range list {
				m.closed[p] = closed
			}
			m.mu.Unlock()
			m.tie()
		}))
		return nil
	}
}

func (m *matrix) state(want bool) func(*scpi.Call) (string, error) {
	return func(c *scpi.Call) (string, error) {
		list, err := m.paths(c)
		if err != nil {
			return "", err
		}
		m.mu.Lock()
		defer m.mu.Unlock()
		states := make([]string, len(list))
		for i, p := range list {
			states[i] = scpi.FormatBool(m.closed[p] == want)
		}
		return strings.Join(states, ","), nil
	}
}

// list is what is closed, as a channel list.
func (m *matrix) list() string {
	var texts []string
	for row := rowHigh; row <= rowLow; row++ {
		for _, column := range m.on(row) {
			texts = append(texts, fmt.Sprintf("%d!%d", row, column))
		}
	}
	return "(@" + strings.Join(texts, ",") + ")"
}

// on are the columns that a row is closed to.
func (m *matrix) on(row int) (columns []int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for p, is := range m.closed {
		if is && p.Row == row {
			columns = append(columns, p.Column)
		}
	}
	slices.Sort(columns)
	return columns
}

// tie shorts the points that are on one row.
func (m *matrix) tie() {
	for row := rowHigh; row <= rowLow; row++ {
		columns := m.on(row)
		for i := 1; i < len(columns); i++ {
			_ = m.p.Join(m.points[columns[0]-1], m.points[columns[i]-1]) // a live drive is not read either
		}
	}
}

// leads are the points that the meter's leads are on, and what the two paths add in series; ok is false while not both are.
func (m *matrix) leads() (pair string, ohms float64, ok bool) {
	high, low := m.on(rowHigh), m.on(rowLow)
	if len(high) == 0 || len(low) == 0 {
		return "", 0, false
	}
	path := func(row, column int) float64 {
		d := newDice(uint64(row*1000+column), "path")
		return pathOhms + pathSpread*d.evenly()
	}
	return m.points[high[0]-1] + "|" + m.points[low[0]-1], path(rowHigh, high[0]) + path(rowLow, low[0]), true
}
