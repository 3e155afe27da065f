package simulated

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"benchwarden/instruments/scpi"
)

// stick is the memory stick onto which the simulated person exports what the scope has captured.
type stick struct {
	scope  *scope
	folder string
	count  int
}

func (b *Bench) newStick(folder string) (*stick, error) {
	if err := os.Mkdir(folder, 0o755); err != nil {
		return nil, fmt.Errorf("make a place for exported traces: %w", err)
	}
	return &stick{scope: b.scope, folder: folder}, nil
}

// arm sets the scope as "rate|points|peak|trigger channel|level|edge|position|1:low:high|2:low:high" says, and starts a capture.
func (k *stick) arm(setting string) error {
	fields := strings.Split(setting, "|")
	if len(fields) < 8 {
		return fmt.Errorf("%q is no setting of a scope", setting)
	}
	var bad []error
	number := func(text string) float64 {
		x, err := strconv.ParseFloat(text, 64)
		bad = append(bad, err)
		return x
	}
	s := k.scope
	s.abort()
	w := sweep{interval: 1 / number(fields[0]), points: int(number(fields[1])), peak: fields[2] == "true", source: "IMM",
		level: number(fields[4]), location: number(fields[6]), slope: map[string]string{"falling": "NEG", "either": "EITH"}[fields[5]]}
	if fields[3] != "0" {
		w.source = "INT" + fields[3]
	}
	if w.slope == "" {
		w.slope = "POS"
	}
	for i := range s.channels {
		s.channels[i].on = false
	}
	for _, field := range fields[7:] {
		parts := strings.Split(field, ":")
		if len(parts) != 3 {
			return fmt.Errorf("%q is no channel's setting", field)
		}
		n, low, high := int(number(parts[0])), number(parts[1]), number(parts[2])
		if n < 1 || n > channels {
			return fmt.Errorf("channel %d: there are 1 to %d", n, channels)
		}
		s.channels[n-1] = vertical{on: true, attenuation: probeFactor, span: high - low, offset: (high + low) / 2}
	}
	if err := errors.Join(bad...); err != nil {
		return fmt.Errorf("%q is no setting of a scope: %w", setting, err)
	}
	s.sweep = w
	return s.initiate()
}

// triggersWithin is how long the person waits for a trigger when asked for the capture: less than a question may take.
const triggersWithin = 2 * time.Second

// export waits for the capture and writes it into the folder; "none" is a capture that never triggered.
func (k *stick) export(c *scpi.Call) (string, error) {
	s := k.scope
	records, armed := s.captured()
	for waited := time.Duration(0); armed; waited += triggerLookTime {
		if waiting := s.Operation.Condition()&(1<<bitWaiting) != 0; waiting && waited > triggersWithin {
			s.abort()
			return "none", nil
		}
		if !c.Await(after(triggerLookTime)) {
			return "", errors.New("the person was called away")
		}
		records, armed = s.captured()
	}
	k.count++
	name := fmt.Sprintf("trace%04d.csv", k.count)
	return name, k.write(name, records)
}

func (s *scope) captured() (finished [channels]*record, running bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.finished, s.running != nil
}

// write exports in one of three shapes, in turn: scopes differ, and so does what one makes after somebody touched its menu.
func (k *stick) write(name string, records [channels]*record) (err error) {
	var on []int
	for i, r := range records {
		if r != nil {
			on = append(on, i)
		}
	}
	if len(on) == 0 {
		return errors.New("nothing was captured")
	}
	f, err := os.Create(filepath.Join(k.folder, name))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	shape := exports[k.count%len(exports)]
	out := bufio.NewWriterSize(f, 1<<16)
	first := records[on[0]]
	shape.head(out, on, first)
	var row []byte
	for i := range first.codes {
		row = shape.number(row[:0], (first.start+float64(i)*first.step)*shape.times, 'e', 9)
		for _, n := range on {
			r := records[n]
			row = shape.number(append(row, shape.separator), float64(r.codes[i])*r.scale+r.offset, 'f', 5)
		}
		if _, err := out.Write(append(row, shape.ending...)); err != nil {
			return err
		}
	}
	return out.Flush()
}

// export is how the rows of a file are written.
type export struct {
	separator byte
	comma     bool // decimal comma
	times     float64
	unit      string // of the times
	ending    string
	units     bool // in a row of their own
}

var exports = []export{
	{separator: ',', times: 1, unit: "s", ending: "\r\n"},
	{separator: ';', comma: true, times: 1e3, unit: "ms", ending: "\r\n", units: true},
	{separator: '\t', times: 1e6, unit: "us", ending: "\n"},
}

func (e export) head(out *bufio.Writer, on []int, r *record) {
	s := string(e.separator)
	fmt.Fprintf(out, "Points%s%d%s", s, len(r.codes), e.ending)
	names, units := "Time", e.unit
	if !e.units {
		names += " (" + e.unit + ")"
	}
	for _, n := range on {
		names += fmt.Sprintf("%sCH%d", s, n+1)
		units += s + "V"
		if !e.units {
			names += " (V)"
		}
	}
	fmt.Fprint(out, names, e.ending)
	if e.units {
		fmt.Fprint(out, units, e.ending)
	}
}

func (e export) number(row []byte, x float64, format byte, digits int) []byte {
	from := len(row)
	row = strconv.AppendFloat(row, x, format, digits, 64)
	if e.comma {
		for i := from; i < len(row); i++ {
			if row[i] == '.' {
				row[i] = ','
			}
		}
	}
	return row
}
