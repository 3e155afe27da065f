package scpi

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Call is one command on its way through a handler. Its errors are Error
// values with the standard's numbers; a handler returns them as they are.
// Parameters count from 0.
type Call struct {
	session  *Session
	suffixes []int
	data     []datum
}

// Suffix is the i-th numeric suffix of the pattern; 1 where it was not sent.
func (c *Call) Suffix(i int) int { return c.suffixes[i] }

// Len is the number of parameters that were sent.
func (c *Call) Len() int { return len(c.data) }

// Await waits until done is closed (nil is done at once) while other sessions
// may use the device. It returns false when the session was closed meanwhile;
// the handler then returns, and its answer goes nowhere.
func (c *Call) Await(done <-chan struct{}) bool { return c.session.await(done) }

// Number is the i-th parameter as a number in the given unit: "V", "A", "OHM",
// "HZ", "S", "W", "PCT" and so on, or "" for a plain number. A suffix such as
// MV or KHZ scales it; a number without suffix is in that unit.
func (c *Call) Number(i int, unit string) (float64, error) {
	d, err := c.want(i, numericData)
	if err != nil {
		return 0, err
	}
	factor, err := scale(d.suffix, unit)
	if err != nil {
		return 0, err
	}
	return d.number * factor, nil
}

// Range is what a numeric parameter may be. Unit is as for Call.Number.
type Range struct {
	Unit              string
	Min, Max, Default float64
}

// Ranged is the i-th parameter as a number within a range; MINimum, MAXimum and
// DEFault stand for its ends and default. Outside of it is -222.
func (c *Call) Ranged(i int, r Range) (float64, error) {
	x, isWord, err := c.rangeWord(i, r)
	if isWord || err != nil {
		return x, err
	}
	if x, err = c.Number(i, r.Unit); err != nil {
		return 0, err
	}
	if !(x >= r.Min && x <= r.Max) {
		return 0, NewError(-222, fmt.Sprintf("%g is outside %g to %g", x, r.Min, r.Max))
	}
	return x, nil
}

// Bound serves a query such as VOLTage? MAX: the end or default of the range
// that its i-th parameter names, or now where there is no parameter.
func (c *Call) Bound(i int, r Range, now float64) (float64, error) {
	if i >= len(c.data) {
		return now, nil
	}
	x, isWord, err := c.rangeWord(i, r)
	if err == nil && !isWord {
		return 0, NewError(notAllowed[c.data[i].kind], "")
	}
	return x, err
}

// rangeWord reads MINimum, MAXimum, DEFault; isWord is false for what is no
// character data.
func (c *Call) rangeWord(i int, r Range) (x float64, isWord bool, err error) {
	if i >= len(c.data) {
		return 0, false, NewError(-109, "")
	}
	if c.data[i].kind != characterData {
		return 0, false, nil
	}
	word, err := c.Keyword(i, "MINimum", "MAXimum", "DEFault", "INFinity", "NINFinity")
	switch word {
	case "MIN":
		return r.Min, true, nil
	case "MAX":
		return r.Max, true, nil
	case "DEF":
		return r.Default, true, nil
	case "INF", "NINF":
		return 0, true, NewError(-222, c.data[i].text)
	}
	return 0, true, err
}

// Int is the i-th parameter as a plain number, rounded to an integer and within
// low and high; outside is -222.
func (c *Call) Int(i, low, high int) (int, error) {
	x, err := c.Number(i, "")
	if err != nil {
		return 0, err
	}
	x = math.Round(x)
	if x < float64(low) || x > float64(high) {
		return 0, NewError(-222, fmt.Sprintf("%g is outside %d to %d", x, low, high))
	}
	return int(x), nil
}

// Bool is the i-th parameter as ON, OFF or a number, which is rounded to an
// integer first; non-zero is on (SCPI-99 volume 1, clause 7.3; the rounding
// from memory).
func (c *Call) Bool(i int) (bool, error) {
	if i < len(c.data) && c.data[i].kind == characterData {
		word, err := c.Keyword(i, "ON", "OFF")
		return word == "ON", err
	}
	x, err := c.Number(i, "")
	return math.Round(x) != 0, err
}

// Keyword is the i-th parameter as one of some words, which are written as in a
// pattern ("NORMal", "CHANnel2"). It returns the word's short form in capitals, as it is
// answered too. Another word is -224.
func (c *Call) Keyword(i int, words ...string) (string, error) {
	d, err := c.want(i, characterData)
	if err != nil {
		return "", err
	}
	for _, w := range words {
		name := strings.TrimRight(w, "0123456789")
		k, err := newKeyword(name)
		if err != nil {
			panic("scpi: keyword " + err.Error())
		}
		digits := w[len(name):]
		k.short += digits
		k.long += digits
		if k.matches(d.text) {
			return k.short, nil
		}
	}
	return "", NewError(-224, d.text)
}

// String is the i-th parameter as a string, without its quotes.
func (c *Call) String(i int) (string, error) {
	d, err := c.want(i, stringData)
	return d.text, err
}

// Block is the content of the i-th parameter, a definite-length block. It is
// part of the message and valid during the call only.
func (c *Call) Block(i int) ([]byte, error) {
	d, err := c.want(i, blockData)
	return d.content, err
}

// mostChannels keeps a range such as (@1:999999999) from filling the memory.
const mostChannels = 10_000

// Channels is the i-th parameter as a channel list: (@1,3,4:6) is 1, 3, 4, 5, 6
// (SCPI-99 volume 1, clause 8.3.2). A range may run downwards.
func (c *Call) Channels(i int) ([]int, error) {
	ranges, err := channelRanges(c, i, channelNumber)
	if err != nil {
		return nil, err
	}
	var list []int
	for _, r := range ranges {
		step := 1
		if r.last < r.first {
			step = -1
		}
		for n := r.first; ; n += step {
			if len(list) == mostChannels {
				return nil, NewError(-223, "channel list")
			}
			list = append(list, n)
			if n == r.last {
				break
			}
		}
	}
	return list, nil
}

// channelRange is an entry of a channel list; of a single channel both ends are the same.
type channelRange[T any] struct{ first, last T }

// channelRanges reads the i-th parameter as a channel list whose channels are written as one understands them.
func channelRanges[T any](c *Call, i int, one func(string) (T, error)) ([]channelRange[T], error) {
	d, err := c.want(i, expressionData)
	if err != nil {
		return nil, err
	}
	text, ok := strings.CutPrefix(strings.TrimFunc(d.text, isSpaceRune), "@")
	if !ok {
		return nil, NewError(-171, "a channel list starts with (@")
	}
	var all []channelRange[T]
	for entry := range strings.SplitSeq(text, ",") {
		first, last, isRange := strings.Cut(entry, ":")
		r := channelRange[T]{}
		if r.first, err = one(first); err != nil {
			return nil, err
		}
		r.last = r.first
		if isRange {
			if r.last, err = one(last); err != nil {
				return nil, err
			}
		}
		all = append(all, r)
	}
	return all, nil
}

func channelNumber(text string) (int, error) {
	text = strings.TrimFunc(text, isSpaceRune)
	n, err := strconv.ParseUint(text, 10, 31)
	if err != nil {
		return 0, NewError(-171, text)
	}
	return int(n), nil
}

func (c *Call) want(i int, k kind) (datum, error) {
	if i >= len(c.data) {
		return datum{}, NewError(-109, "")
	}
	if d := c.data[i]; d.kind != k {
		return datum{}, NewError(notAllowed[d.kind], d.text)
	}
	return c.data[i], nil
}
