package record

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"math/big"
	"strconv"
	"strings"
	"time"

	"benchwarden/daemon/event"
	"benchwarden/instruments/quantity"
)

// A packed run is one deflate stream: the number of its series, each series once, and then event by event either a reading
// of a series as differences from the one before it, or any other event as its JSON. Times are kept to the microsecond;
// values are kept exactly.

// series is what many readings have in common.
type series struct {
	Bench, Run, Name, Instrument, Unit, Text, Error string
}

// state is where the differences of a series start from.
type state struct{ at, mantissa, exponent int64 }

// pack makes a run small.
func pack(events []event.Event) ([]byte, error) {
	var out bytes.Buffer
	deflater, err := flate.NewWriter(&out, flate.DefaultCompression)
	if err != nil {
		return nil, err
	}
	p := packer{numbers: map[series]int{}}
	for _, e := range events {
		if err := p.add(e); err != nil {
			return nil, err
		}
	}
	for _, part := range p.parts() {
		head := binary.AppendUvarint(nil, uint64(len(part)))
		if _, err := deflater.Write(append(head, part...)); err != nil {
			return nil, err
		}
	}
	if err := deflater.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// packer keeps like with like, which is what deflate makes small.
type packer struct {
	numbers map[series]int // from 1
	list    []series
	states  []state
	order   []byte // for each event its series' number, 0 for another event
	times   []byte
	delays  []byte
	values  []byte
	others  []byte // JSON lines
}

func (p *packer) parts() [][]byte {
	list, _ := json.Marshal(p.list) // strings only
	return [][]byte{list, p.order, p.times, p.delays, p.values, p.others}
}

func (p *packer) add(e event.Event) error {
	r, ok := e.Body.(event.Reading)
	if !ok || !packable(e.At, r) {
		line, err := json.Marshal(e)
		if err != nil {
			return err
		}
		p.order = append(p.order, 0)
		p.others = append(append(p.others, line...), '\n')
		return nil
	}
	key := series{e.Bench, e.Run, r.Name, r.Instrument, r.Value.Unit.String(), r.Text, r.Error}
	n := p.numbers[key]
	if n == 0 {
		p.list, p.states = append(p.list, key), append(p.states, state{})
		n = len(p.list)
		p.numbers[key] = n
	}
	s := &p.states[n-1]
	p.order = binary.AppendUvarint(p.order, uint64(n))
	at, mantissa, exponent := instant(e.At), int64(0), int64(0)
	mantissa, exponent = decimal(r.Value.Number)
	p.times = binary.AppendVarint(p.times, at-s.at)
	p.delays = binary.AppendVarint(p.delays, at-instant(r.Arrived))
	p.delays = binary.AppendVarint(p.delays, instant(r.Arrived)-instant(r.Asked))
	p.values = binary.AppendVarint(p.values, exponent-s.exponent)
	if exponent != s.exponent {
		s.mantissa = 0
	}
	p.values = binary.AppendVarint(p.values, mantissa-s.mantissa)
	*s = state{at, mantissa, exponent}
	return nil
}

// packable says whether a reading comes out of its differences as it went in: finite, its unit one that has a name, and all
// times within what microseconds can count.
func packable(at time.Time, r event.Reading) bool {
	unit, known := quantity.UnitOf(r.Value.Unit.String())
	if !known || unit != r.Value.Unit || math.IsNaN(r.Value.Number) || math.IsInf(r.Value.Number, 0) || (r.Value.Number == 0 && math.Signbit(r.Value.Number)) {
		return false
	}
	for _, t := range []time.Time{at, r.Asked, r.Arrived} {
		if t.Year() < 1970 || t.Year() > 3000 {
			return false
		}
	}
	return true
}

// decimal is a finite number as mantissa times ten to the exponent, the shortest that is read back as the same number.
func decimal(x float64) (mantissa, exponent int64) {
	digits, power, _ := strings.Cut(strconv.FormatFloat(x, 'e', -1, 64), "e")
	whole, fraction, _ := strings.Cut(digits, ".")
	mantissa, _ = strconv.ParseInt(whole+fraction, 10, 64) // at most 17 digits
	exponent, _ = strconv.ParseInt(power, 10, 64)
	return mantissa, exponent - int64(len(fraction))
}

func number(mantissa, exponent int64) (float64, error) {
	return strconv.ParseFloat(big.NewInt(mantissa).String()+"e"+strconv.FormatInt(exponent, 10), 64)
}

var errPacked = errors.New("the packed run is damaged")

// mostPacked bounds what a packed run may grow to, so that a forged one does not fill the memory.
const mostPacked = 2 << 30

func inflate(data []byte) ([]byte, error) {
	plain, err := io.ReadAll(io.LimitReader(flate.NewReader(bytes.NewReader(data)), mostPacked))
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errPacked, err)
	}
	return plain, nil
}

func deflate(data []byte) []byte {
	var out bytes.Buffer
	w, _ := flate.NewWriter(&out, flate.DefaultCompression) // the level is a valid one
	_, _ = w.Write(data)                                    // memory takes everything
	_ = w.Close()
	return out.Bytes()
}

// unpack is the way back.
func unpack(data []byte) ([]event.Event, error) {
	plain, err := inflate(data)
	if err != nil {
		return nil, err
	}
	var parts [6]reader
	for i := range parts {
		if parts[i], plain, err = cutPart(plain); err != nil {
			return nil, err
		}
	}
	var list []series
	if err := json.Unmarshal(parts[0].rest, &list); err != nil || len(plain) > 0 {
		return nil, errors.Join(errPacked, err)
	}
	u := unpacker{list: list, states: make([]state, len(list)), times: &parts[2], delays: &parts[3], values: &parts[4], others: &parts[5]}
	for _, s := range list {
		unit, known := quantity.UnitOf(s.Unit)
		if !known {
			return nil, fmt.Errorf("%w: unit %q", errPacked, s.Unit)
		}
		u.units = append(u.units, unit)
	}
	var events []event.Event
	for order := &parts[1]; len(order.rest) > 0; {
		e, err := u.next(order.unsigned())
		if err == nil {
			err = order.err
		}
		if err != nil {
			return nil, fmt.Errorf("%w: event %d: %w", errPacked, len(events)+1, err)
		}
		events = append(events, e)
	}
	return events, nil
}

func cutPart(plain []byte) (reader, []byte, error) {
	size, n := binary.Uvarint(plain)
	if n <= 0 || size > uint64(len(plain)-n) {
		return reader{}, nil, errPacked
	}
	return reader{rest: plain[n : n+int(size)]}, plain[n+int(size):], nil
}

// reader takes numbers off the front; its first fault stays.
type reader struct {
	rest []byte
	err  error
}

func (r *reader) unsigned() uint64 {
	v, n := binary.Uvarint(r.rest)
	return took(r, v, n)
}

func (r *reader) signed() int64 {
	v, n := binary.Varint(r.rest)
	return took(r, v, n)
}

func took[T any](r *reader, v T, n int) T {
	if n <= 0 {
		r.rest, r.err = nil, io.ErrUnexpectedEOF
		return v
	}
	r.rest = r.rest[n:]
	return v
}

type unpacker struct {
	list                          []series
	units                         []quantity.Unit
	states                        []state
	times, delays, values, others *reader
}

func (u *unpacker) next(n uint64) (event.Event, error) {
	var e event.Event
	if n == 0 {
		line, rest, found := bytes.Cut(u.others.rest, []byte{'\n'})
		if !found {
			return e, io.ErrUnexpectedEOF
		}
		u.others.rest = rest
		return e, json.Unmarshal(line, &e)
	}
	if n > uint64(len(u.list)) {
		return e, fmt.Errorf("series %d of %d", n, len(u.list))
	}
	key, s := u.list[n-1], &u.states[n-1]
	s.at += u.times.signed()
	arrived := s.at - u.delays.signed()
	asked := arrived - u.delays.signed()
	if change := u.values.signed(); change != 0 {
		s.exponent, s.mantissa = s.exponent+change, 0
	}
	s.mantissa += u.values.signed()
	value, err := number(s.mantissa, s.exponent)
	e = event.Event{At: timeOf(s.at), Bench: key.Bench, Run: key.Run, Body: event.Reading{
		Name: key.Name, Value: quantity.Value{Number: value, Unit: u.units[n-1]}, Text: key.Text, Error: key.Error,
		Asked: timeOf(asked), Arrived: timeOf(arrived), Instrument: key.Instrument,
	}}
	return e, errors.Join(err, u.times.err, u.delays.err, u.values.err)
}
