// Package matrix drives switch matrices: rows that carry an instrument's leads, columns that carry test points, and a contact at each
// crossing.
package matrix

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"benchwarden/instruments/dialect"
	"benchwarden/instruments/link"
)

// Session is all that the driver needs of a conversation.
type Session interface {
	Do(ctx context.Context, p link.Priority, command string, args dialect.Args) error
	Ask(ctx context.Context, p link.Priority, query string, args dialect.Args) (dialect.Answer, error)
	Urgent(calls ...dialect.Call) error
	Has(name string) bool
}

// Wiring says what is on the rows and columns, from 1.
type Wiring struct {
	High, Low int            // the rows of the instrument's positive and negative lead
	Columns   map[string]int // by test point
}

var (
	// ErrUnknown: no column of the matrix is wired to the test point.
	ErrUnknown = errors.New("the matrix does not reach it")
	// ErrStuck: the matrix says something else than it was told.
	ErrStuck = errors.New("the matrix reads back otherwise: a contact may be stuck")
)

// Matrix is one switch matrix. One caller uses it at a time.
type Matrix struct {
	name   string
	s      Session
	wiring Wiring
}

// New returns a matrix. It sends nothing.
func New(name string, s Session, w Wiring) *Matrix {
	return &Matrix{name: name, s: s, wiring: Wiring{w.High, w.Low, maps.Clone(w.Columns)}}
}

// Name is the matrix's role.
func (m *Matrix) Name() string { return m.name }

// Reaches says whether a column is wired to the test point.
func (m *Matrix) Reaches(point string) bool { return m.wiring.Columns[point] > 0 }

// crossing is one contact.
type crossing struct{ row, column int }

func (m *Matrix) crossings(row func(i int) int, points ...string) ([]crossing, error) {
	var all []crossing
	for i, point := range points {
		column := m.wiring.Columns[point]
		if column == 0 {
			return nil, fmt.Errorf("%s: test point %s: %w; it has %s", m.name, point, ErrUnknown,
				strings.Join(slices.Sorted(maps.Keys(m.wiring.Columns)), ", "))
		}
		all = append(all, crossing{row(i), column})
	}
	return all, nil
}

// Connect opens everything, then puts the instrument's positive lead on one point and the other lead on another. It returns when both
// contacts read back closed. When it fails, contacts may be closed: Open.
func (m *Matrix) Connect(ctx context.Context, p link.Priority, high, low string) error {
	rows := []int{m.wiring.High, m.wiring.Low}
	all, err := m.crossings(func(i int) int { return rows[i] }, high, low)
	if err != nil {
		return err
	}
	return m.only(ctx, p, all)
}

// Join opens everything, then ties two points together over one row.
func (m *Matrix) Join(ctx context.Context, p link.Priority, a, b string) error {
	all, err := m.crossings(func(int) int { return m.wiring.Low }, a, b)
	if err != nil {
		return err
	}
	return m.only(ctx, p, all)
}

// only closes these contacts and has all others open.
func (m *Matrix) only(ctx context.Context, p link.Priority, all []crossing) error {
	if err := m.Open(ctx, p); err != nil {
		return err
	}
	if err := m.close(ctx, p, all[0], all[1]); err != nil {
		return err
	}
	for _, c := range all {
		a, err := m.s.Ask(ctx, p, "connected", dialect.Args{"row": c.row, "column": c.column})
		if err != nil {
			return err
		}
		if closed, err := a.Bool(); err != nil || !closed {
			return errors.Join(fmt.Errorf("%s: row %d, column %d was closed: %w", m.name, c.row, c.column, ErrStuck), err)
		}
	}
	return nil
}

func (m *Matrix) close(ctx context.Context, p link.Priority, a, b crossing) error {
	if m.s.Has("connect_two") {
		return m.s.Do(ctx, p, "connect_two", dialect.Args{"row": a.row, "column": a.column, "other_row": b.row, "other_column": b.column})
	}
	for _, c := range []crossing{a, b} {
		if err := m.s.Do(ctx, p, "connect", dialect.Args{"row": c.row, "column": c.column}); err != nil {
			return err
		}
	}
	return nil
}

// Open opens every contact and reads that back.
func (m *Matrix) Open(ctx context.Context, p link.Priority) error {
	if err := m.s.Do(ctx, p, "open_all", nil); err != nil {
		return err
	}
	closed, err := m.Closed(ctx, p)
	if err == nil && closed != "" {
		err = fmt.Errorf("%s: everything was opened, and it says that %s is closed: %w", m.name, closed, ErrStuck)
	}
	return err
}

// Closed is what the matrix says is closed, in its own words; empty: nothing is.
func (m *Matrix) Closed(ctx context.Context, p link.Priority) (string, error) {
	a, err := m.s.Ask(ctx, p, "closed", nil)
	if err != nil {
		return "", err
	}
	text, err := a.Word()
	if err != nil {
		return "", fmt.Errorf("%s: %w", m.name, err)
	}
	list := text
	if at := strings.Index(text, "(@"); at >= 0 { // a list in a block or string: what stands before it is its length
		list = text[at:]
	}
	if !strings.ContainsAny(list, "0123456789") {
		return "", nil
	}
	return strings.Trim(list, `"`), nil
}

// OpenAll opens everything at once, waiting for nobody. That all is open has to be read back.
func (m *Matrix) OpenAll() error { return m.s.Urgent(dialect.Call{Command: "open_all"}) }
