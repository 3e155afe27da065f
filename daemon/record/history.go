package record

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"slices"

	"benchwarden/instruments/quantity"
)

// Family is what the shop's experience with a drive family comes to.
type Family struct {
	Family    string  `json:"family"`
	Simulated bool    `json:"simulated,omitempty"`
	Closed    int     `json:"closed"`   // jobs that have ended
	Repaired  int     `json:"repaired"` // of those
	FirstTime int     `json:"repaired_first_time"`
	Faults    []Fault `json:"faults"` // the most frequent first
}

// Fault is something found wrong: a failed check with its subject, or a part that a finding names.
type Fault struct {
	What  string `json:"what"`
	Units int    `json:"units"` // different serial numbers
}

// FirstTimeRate is the share of repaired jobs that were never opened again and whose unit has not come back, NaN without any.
func (f Family) FirstTimeRate() float64 {
	if f.Repaired == 0 {
		return math.NaN()
	}
	return float64(f.FirstTime) / float64(f.Repaired)
}

// mostFaults is how many faults a family's history lists.
const mostFaults = 20

// Family tells a family's history: what was measured, or with simulated what was simulated, never both in one.
func (b *Book) Family(ctx context.Context, family string, simulated bool) (Family, error) {
	f := Family{Family: family, Simulated: simulated}
	err := b.db.QueryRowContext(ctx, `SELECT count(*), count(*) FILTER (WHERE outcome = 'repaired'),
		count(*) FILTER (WHERE outcome = 'repaired' AND reopened = 0 AND again = 0) FROM job WHERE family = ? AND simulated = ? AND closed > 0`,
		family, simulated).Scan(&f.Closed, &f.Repaired, &f.FirstTime)
	if err != nil {
		return f, b.explain(err)
	}
	rows, err := b.db.QueryContext(ctx, `SELECT what, count(DISTINCT unit) AS units FROM fault WHERE family = ? GROUP BY what ORDER BY units DESC, what LIMIT ?`,
		keptAs(family, simulated), mostFaults)
	if err != nil {
		return f, b.explain(err)
	}
	f.Faults, err = collect(b, rows, func(row interface{ Scan(...any) error }) (fault Fault, err error) {
		return fault, row.Scan(&fault.What, &fault.Units)
	})
	return f, err
}

// Spread is how one check of one subject came out over good units, with one unit marked.
type Spread struct {
	Check   string           `json:"check"`
	Subject string           `json:"subject"`
	Good    []quantity.Value `json:"good"`      // of runs that passed, in rising order
	This    []quantity.Value `json:"this_unit"` // the marked unit's readings, the oldest first
}

// mostGood is how many readings of good runs, the latest, a spread is made of: enough for its shape, and the same work
// however long the shop has been at it.
const mostGood = 2000

// Place says where a value lies among the good ones: the share of them that is lower, 0 to 1; NaN without any.
func (s Spread) Place(v quantity.Value) float64 {
	if len(s.Good) == 0 {
		return math.NaN()
	}
	n, _ := slices.BinarySearchFunc(s.Good, v, func(a, b quantity.Value) int { return compare(a.Number, b.Number) })
	return float64(n) / float64(len(s.Good))
}

// Quantile is the value below which the given share of the good ones lies (nearest rank); false without any.
func (s Spread) Quantile(share float64) (quantity.Value, bool) {
	if len(s.Good) == 0 {
		return quantity.Value{}, false
	}
	rank := int(math.Ceil(share*float64(len(s.Good)))) - 1
	return s.Good[min(max(rank, 0), len(s.Good)-1)], true
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// Spreads tells a check's history in a family, one spread a subject; subject "" means all. The marked unit's own runs do not
// count among the good ones. An empty unit marks none.
func (b *Book) Spreads(ctx context.Context, family, check, subject, unit string, simulated bool) ([]Spread, error) {
	family = keptAs(family, simulated)
	subjects := []string{subject}
	if subject == "" {
		var err error
		if subjects, err = b.subjects(ctx, family, check); err != nil {
			return nil, err
		}
	}
	var all []Spread
	for _, subject := range subjects {
		s := Spread{Check: check, Subject: subject}
		var err error
		s.Good, err = b.values(ctx, `SELECT value, unit FROM reading WHERE family = ? AND name = ? AND subject = ? AND good = 1 AND value IS NOT NULL
			AND run NOT IN (SELECT number FROM run WHERE unit = ?) ORDER BY run DESC LIMIT ?`, family, check, subject, unit, mostGood)
		if err != nil {
			return nil, err
		}
		slices.SortFunc(s.Good, func(a, b quantity.Value) int { return compare(a.Number, b.Number) })
		if unit != "" {
			s.This, err = b.values(ctx, `SELECT value, unit FROM reading WHERE family = ? AND name = ? AND subject = ? AND value IS NOT NULL
				AND run IN (SELECT number FROM run WHERE unit = ?) ORDER BY run, n`, family, check, subject, unit)
			if err != nil {
				return nil, err
			}
		}
		all = append(all, s)
	}
	return all, nil
}

// subjects are what a check was made on, each found by one step in the index.
func (b *Book) subjects(ctx context.Context, family, check string) (all []string, err error) {
	const next = `SELECT min(subject) FROM reading WHERE family = ? AND name = ? AND subject > ?`
	var first sql.NullString
	err = b.db.QueryRowContext(ctx, `SELECT min(subject) FROM reading WHERE family = ? AND name = ?`, family, check).Scan(&first)
	for err == nil && first.Valid {
		all = append(all, first.String)
		err = b.db.QueryRowContext(ctx, next, family, check, first.String).Scan(&first)
	}
	return all, b.explain(err)
}

func (b *Book) values(ctx context.Context, query string, args ...any) ([]quantity.Value, error) {
	rows, err := b.db.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, b.explain(err)
	}
	return collect(b, rows, func(row interface{ Scan(...any) error }) (v quantity.Value, err error) {
		var symbol string
		if err := row.Scan(&v.Number, &symbol); err != nil {
			return v, err
		}
		unit, known := quantity.UnitOf(symbol)
		if !known {
			return v, fmt.Errorf("unit %q is not known", symbol)
		}
		v.Unit = unit
		return v, nil
	})
}

// Checks names the checks that a family has readings of.
func (b *Book) Checks(ctx context.Context, family string, simulated bool) (all []string, err error) {
	family = keptAs(family, simulated)
	var name sql.NullString
	err = b.db.QueryRowContext(ctx, `SELECT min(name) FROM reading WHERE family = ?`, family).Scan(&name)
	for err == nil && name.Valid {
		all = append(all, name.String)
		err = b.db.QueryRowContext(ctx, `SELECT min(name) FROM reading WHERE family = ? AND name > ?`, family, name.String).Scan(&name)
	}
	return all, b.explain(err)
}
