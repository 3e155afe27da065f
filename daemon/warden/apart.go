package warden

import (
	"time"

	"benchwarden/daemon/event"
)

// sample is a reading's number and when it was asked for.
type sample struct {
	value float64
	asked time.Time
}

// judgedOn is the reading at which a limit is judged: a meter is held against its supply when the supply was read before it and
// after it, since a bus that has just been let go falls faster than the two are read one after the other.
func (l *watch) judgedOn() string {
	if l.Kind == Apart {
		return fed(roleOf(l.Quantity)) + ".voltage"
	}
	return l.Quantity
}

// meterBetween is the meter's latest reading, if it lies between the latest two of its supply.
func (w *Warden) meterBetween(meter, supply string) (r event.Reading, between bool) {
	before, at, after := w.prior[supply].asked, w.asked[meter], w.asked[supply]
	between = !before.IsZero() && !at.IsZero() && !at.Before(before) && !at.After(after)
	return event.Reading{Name: meter, Value: w.last[meter], Asked: at, Arrived: after, Instrument: roleOf(meter)}, between
}

func order(a, b float64) (low, high float64) { return min(a, b), max(a, b) }
