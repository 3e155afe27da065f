package tracefile

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"

	"benchwarden/instruments/quantity"
	"benchwarden/instruments/waveform"
)

// readRecord reads the text form of an IEEE C37.111 record: NAME.cfg says what the columns of NAME.dat are. Either may be named.
func readRecord(path string, data []byte, o Options) (*File, error) {
	base, ext := strings.TrimSuffix(path, extension(path)), extension(path)
	other := base + map[string]string{".cfg": ".dat", ".dat": ".cfg", ".CFG": ".DAT", ".DAT": ".CFG"}[ext]
	partner, err := os.ReadFile(other)
	if err != nil {
		return nil, &Fault{File: path, Text: "a record of this kind is a pair of files, and the other one cannot be read: " + err.Error()}
	}
	if strings.EqualFold(ext, ".dat") {
		path, data, other, partner = other, partner, path, data
	}
	return parseRecord(path, data, other, partner, o)
}

// recordChannel is one analogue channel of a record: value = a·x + b.
type recordChannel struct {
	name string
	unit quantity.Unit
	a, b float64
}

// parseRecord reads a record from its two files. Source: IEEE Std C37.111-1999, clauses 5 (configuration) and 6 (data, ASCII).
func parseRecord(cfgName string, cfg []byte, datName string, dat []byte, o Options) (*File, error) {
	text, err := decode(cfg)
	if err != nil {
		return nil, &Fault{File: cfgName, Text: err.Error()}
	}
	sum := sha256.Sum256(append(append([]byte(nil), cfg...), dat...))
	f := &File{Name: datName, SHA256: hex.EncodeToString(sum[:])}
	c := configuration{name: cfgName, lines: strings.Split(strings.ReplaceAll(string(text), "\r", ""), "\n")}
	channels, rate, count, err := c.read()
	if err != nil {
		return nil, err
	}
	if !c.ascii {
		return nil, &Fault{File: cfgName, Text: "its data are binary; export the record as ASCII"}
	}
	body, err := decode(dat)
	if err != nil {
		return nil, &Fault{File: datName, Text: err.Error()}
	}
	if o.Interval > 0 {
		rate = 1 / float64(o.Interval)
	}
	if !(rate > 0) {
		return nil, &Unsaid{cfgName, "the time between two samples", "its rate is 0", "--interval, for instance --interval 2ns"}
	}
	l := layout{separator: ',', point: '.'}
	for i := range channels {
		l.columns = append(l.columns, 2+i)
	}
	p := parser{file: f, options: o, layout: l, first: 1}
	if err := p.readRows(body); err != nil {
		return nil, err
	}
	if n := len(p.columns[0]); n != count {
		f.note("line with the rate announces %d samples, the data hold %d", count, n)
	}
	for i, ch := range channels {
		lab := label{name: ch.name}
		if !p.wanted(i, lab) {
			continue
		}
		values := p.columns[i]
		for k := range values {
			values[k] = ch.a*values[k] + ch.b
			if math.IsNaN(values[k]) {
				return nil, f.fault(1+k, "channel %s is empty there", ch.name)
			}
		}
		t := waveform.FromFloat64(values).WithResolution(quantity.Volts(math.Abs(ch.a)))
		t.Name, t.Step = ch.name, quantity.Seconds(1/rate)
		f.Channels = append(f.Channels, Channel{Column: 3 + i, Unit: ch.unit, Trace: t})
	}
	if len(f.Channels) == 0 {
		return nil, f.fault(0, "it holds no trace that was asked for")
	}
	return f, nil
}

type configuration struct {
	name  string
	lines []string
	at    int
	ascii bool
}

func (c *configuration) next() []string {
	if c.at >= len(c.lines) {
		return nil
	}
	c.at++
	var out []string
	for _, cell := range strings.Split(c.lines[c.at-1], ",") {
		out = append(out, strings.TrimSpace(cell))
	}
	return out
}

func (c *configuration) fault(format string, args ...any) error {
	return &Fault{File: c.name, Line: c.at, Text: fmt.Sprintf(format, args...)}
}

func (c *configuration) read() (channels []recordChannel, rate float64, count int, err error) {
	c.next()
	counts := c.next()
	if len(counts) != 3 {
		return nil, 0, 0, c.fault("here stand the numbers of channels: all, analogue (8A), digital (0D)")
	}
	analogue, errA := strconv.Atoi(strings.TrimSuffix(strings.ToUpper(counts[1]), "A"))
	digital, errD := strconv.Atoi(strings.TrimSuffix(strings.ToUpper(counts[2]), "D"))
	if err := errors.Join(errA, errD); err != nil || analogue < 1 || digital < 0 || analogue > 999999 {
		return nil, 0, 0, c.fault("%s is no number of channels with a trace among them", strings.Join(counts, ","))
	}
	for range analogue {
		cell := c.next()
		if len(cell) < 7 {
			return nil, 0, 0, c.fault("here stands a channel: number, name, phase, circuit, unit, a, b, ...")
		}
		a, errA := strconv.ParseFloat(cell[5], 64)
		b, errB := strconv.ParseFloat(cell[6], 64)
		unit, by, ok := unitOf(cell[4])
		switch {
		case errors.Join(errA, errB) != nil:
			return nil, 0, 0, c.fault("channel %s: its factors %s and %s are no numbers", cell[1], cell[5], cell[6])
		case !ok:
			return nil, 0, 0, c.fault("channel %s: %q is no unit that is known here", cell[1], cell[4])
		}
		channels = append(channels, recordChannel{name: cell[1], unit: unit, a: a * by, b: b * by})
	}
	for range digital {
		c.next()
	}
	c.next() // mains frequency
	if rates := c.next(); len(rates) != 1 || rates[0] != "1" {
		return nil, 0, 0, c.fault("only records with one sampling rate can be read")
	}
	last := c.next()
	if len(last) != 2 {
		return nil, 0, 0, c.fault("here stand the sampling rate and the number of the last sample")
	}
	rate, errR := strconv.ParseFloat(last[0], 64)
	count, errN := strconv.Atoi(last[1])
	if err := errors.Join(errR, errN); err != nil {
		return nil, 0, 0, c.fault("%s is no rate and no number of samples", strings.Join(last, ","))
	}
	c.next()
	c.next()
	c.ascii = strings.EqualFold(strings.Join(c.next(), ""), "ASCII")
	return channels, rate, count, nil
}
