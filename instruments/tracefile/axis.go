package tracefile

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"benchwarden/instruments/quantity"
)

// axis is the time of a file's samples.
type axis struct {
	column int // of times; -1 without
	index  int // of running numbers; -1 without
	by     float64
	start  float64 // s, of the first sample kept
	step   float64 // s
	offset float64 // s, of sample 0, where there is no column of times
	first  int     // line of sample 0
}

// at is the time of the first row that is kept.
func (a axis) at(p *parser) float64 {
	if a.column >= 0 && len(p.columns[a.column]) > 0 {
		return p.columns[a.column][0] * a.by
	}
	return a.offset + float64(p.first-a.first)*a.step
}

// axis finds when the samples were taken: a column of times, or the interval that the head or the reader gives.
func (p *parser) axis(labels []label) (axis, error) {
	a := axis{column: -1, index: -1, by: 1, first: p.first}
	for i, l := range labels {
		switch {
		case a.column < 0 && (l.said && l.unit == quantity.Second || isTime(l.name)):
			a.column = i
		case i == 0 && runs(p.columns[i]):
			a.index = i
		}
	}
	said, from, knows := p.interval()
	if a.column >= 0 && empty(p.columns[a.column]) {
		a.index, a.column = a.column, -1
	}
	if a.column < 0 && a.index < 0 && len(p.columns) > 1 && p.options.Interval == 0 && !knows && rises(p.columns[0]) {
		a.column = 0
	}
	if a.column >= 0 {
		return p.timed(a, labels[a.column], said, from, knows)
	}
	switch {
	case p.options.Interval > 0:
		a.step = float64(p.options.Interval)
	case knows:
		a.step = said
		p.file.note("the time between two samples, %v, is from %s", quantity.Seconds(said), from)
		if start, where, ok := p.headed("start"); ok {
			a.offset = start
			p.file.note("the first sample's time, %v, is from %s", quantity.Seconds(start), where)
		}
	default:
		return a, &Unsaid{p.file.Name, "the time between two samples", "there is no column of times, and no interval or rate in its head", "--interval, for instance --interval 2ns"}
	}
	if a.index < 0 && len(p.columns) > 1 && rises(p.columns[0]) && labels[0].name == "" {
		a.index = 0
		p.file.note("the first column rises evenly and is left out: the interval that was given counts")
	}
	a.start = a.offset
	return a, nil
}

// timed reads the column of times.
func (p *parser) timed(a axis, l label, said float64, from string, knows bool) (axis, error) {
	name := p.nameOf(a.column, l)
	a.by = l.by
	if !l.said {
		if p.options.TimeUnit == "" {
			return a, &Unsaid{p.file.Name, "the unit of its times", name + " rises evenly, without a unit", "--time-unit, for instance --time-unit s"}
		}
		unit, by, ok := unitOf(p.options.TimeUnit)
		if !ok || unit != quantity.Second {
			return a, fmt.Errorf("--time-unit %s: no unit of time that is known here; write s, ms, us, ns", p.options.TimeUnit)
		}
		a.by = by
	}
	step, coarse, err := p.even(a.column, name)
	if err != nil {
		return a, err
	}
	a.step = step * a.by
	switch {
	case p.options.Interval > 0:
		a.step = float64(p.options.Interval)
	case knows && coarse && math.Abs(said-a.step) < 0.5*a.step:
		a.step = said
		p.file.note("the times have too few digits: the time between two samples, %v, is from %s", quantity.Seconds(said), from)
	case knows && math.Abs(said-a.step) > 0.01*a.step:
		p.file.note("%s and the column of times (%v from sample to sample) disagree: the column counts", from, quantity.Seconds(a.step))
	}
	a.start = p.columns[a.column][0] * a.by
	return a, nil
}

// ends is how many rows at each end of a file may belong to another record.
const ends = 16

// even finds the step of a column of times, and cuts rows at its ends that do not follow it. Coarse times have too few digits to
// tell neighbours apart.
func (p *parser) even(column int, name string) (step float64, coarse bool, err error) {
	t := p.columns[column]
	n := len(t)
	if n < 3 {
		return 0, false, p.file.fault(0, "%d rows of data are too few for a trace", n)
	}
	lo, hi := n/8, n-1-n/8
	if n < 8*ends {
		lo, hi = n/3, n-1-n/3
	}
	if hi <= lo {
		lo, hi = 0, n-1
	}
	step = (t[hi] - t[lo]) / float64(hi-lo)
	if !(step > 0) {
		return 0, false, p.file.fault(p.first+lo, "%s does not rise from there to line %d", name, p.first+hi)
	}
	within := 0.6 * step
	if q := quantum(t[lo : hi+1]); q > 1.5*step {
		within, coarse = 1.5*q, true
	}
	off := func(i int) bool { return !(math.Abs(t[i]-(t[lo]+float64(i-lo)*step)) <= within) }
	if at := lo + slices.IndexFunc(t[lo:hi+1], math.IsNaN); at >= lo {
		return 0, false, p.file.fault(p.first+at, "%s is empty there", name)
	}
	from, to := 0, n
	for i := 0; i < min(ends, lo); i++ {
		if off(i) {
			from = i + 1
		}
	}
	for i := n - 1; i > max(n-1-ends, hi); i-- {
		if off(i) {
			to = i
		}
	}
	for i := from; i < to; i++ {
		if off(i) {
			return 0, false, p.file.fault(p.first+i, "%s jumps there: it does not rise evenly by %g; two records in one file? cut it, or leave rows out with --skip", name, step)
		}
	}
	if from > 0 || to < n {
		p.file.note("%s at the ends of the file do not follow its times and are left out", rowsWord(n-to+from))
		p.cut(from, to)
		t = p.columns[column]
	}
	return (t[len(t)-1] - t[0]) / float64(len(t)-1), coarse, nil
}

func rowsWord(n int) string {
	if n == 1 {
		return "1 row"
	}
	return fmt.Sprintf("%d rows", n)
}

// quantum is the smallest step that a column's digits show.
func quantum(t []float64) float64 {
	least := math.Inf(1)
	for i := 1; i < len(t); i++ {
		if d := math.Abs(t[i] - t[i-1]); d > 0 {
			least = min(least, d)
		}
	}
	if math.IsInf(least, 1) {
		return 0
	}
	return least
}

// runs says whether a column counts its rows: whole numbers, one more from row to row.
func runs(column []float64) bool {
	for i := 1; i < len(column); i++ {
		if column[i]-column[i-1] != 1 {
			return false
		}
	}
	return len(column) > 1 && column[0] == math.Trunc(column[0])
}

// rises says whether a column looks like times: always more, nearly evenly.
func rises(column []float64) bool {
	n := len(column)
	if n < 8 {
		return false
	}
	step := (column[n-1] - column[0]) / float64(n-1)
	for i := 1; i < n; i++ {
		if d := column[i] - column[i-1]; !(d > 0.2*step && d < 1.8*step) {
			return false
		}
	}
	return true
}

func empty(column []float64) bool {
	return !slices.ContainsFunc(column, func(x float64) bool { return !math.IsNaN(x) })
}

// far is how far beyond the span of the rest a value at an end has to lie to be taken for another record's.
const far = 0.25

// foreignRows cuts rows at the ends that hold what is left of another record: some few, from the very end on, far beyond all
// that follows.
func (p *parser) foreignRows(times int) {
	n := len(p.columns[0])
	if n < 8*ends {
		return
	}
	from, to := 0, n
	for i, column := range p.columns {
		if i == times {
			continue
		}
		low, high := math.Inf(1), math.Inf(-1)
		for _, x := range column[ends : n-ends] {
			low, high = min(low, x), max(high, x)
		}
		margin := far * (high - low)
		strange := func(k int) bool { return column[k] < low-margin || column[k] > high+margin }
		head, tail := 0, n
		for head < ends && strange(head) {
			head++
		}
		for tail > n-ends && strange(tail-1) {
			tail--
		}
		from, to = max(from, head), min(to, tail)
	}
	if from == 0 && to == n {
		return
	}
	var where []string
	if from > 0 {
		where = append(where, "the first "+rowsWord(from))
	}
	if to < n {
		where = append(where, "the last "+rowsWord(n-to))
	}
	p.file.note("%s (far beyond all other values) belong to another record and are left out; --all-rows keeps them", strings.Join(where, " and "))
	p.cut(from, to)
}
