package tracefile

import (
	"regexp"
	"slices"
	"strconv"
	"strings"

	"benchwarden/instruments/quantity"
)

// key is a setting's name without the marks around it.
func key(text string) string { return strings.TrimSpace(strings.Trim(text, "#;:= ")) }

// settings takes what the rows of the head say as name and value: in two cells, or in one with = or : between.
func (p *parser) settings() {
	for _, h := range p.head {
		var held []string
		for _, c := range h.cells {
			if c != "" {
				held = append(held, c)
			}
		}
		switch {
		case len(held) == 2:
			p.set(h.line, held[0], held[1])
		case len(held) == 1:
			if name, value, ok := strings.Cut(held[0], "="); ok {
				p.set(h.line, name, value)
			} else if name, value, ok := strings.Cut(held[0], ":"); ok {
				p.set(h.line, name, value)
			}
		}
	}
}

func (p *parser) set(at int, name, value string) {
	if name = key(name); name != "" {
		p.file.Settings = append(p.file.Settings, Setting{at, name, strings.TrimSpace(value)})
	}
}

// label is what the head says of a column.
type label struct {
	name string
	unit quantity.Unit
	said bool    // that unit is known
	by   float64 // what a number of the column is multiplied with to come to the base unit
}

// labels are the columns' names and units: the last row of words above the data, units below the names or behind them.
func (p *parser) labels() []label {
	out := make([]label, len(p.layout.columns))
	for i := range out {
		out[i].by = 1
	}
	named := false
	for _, h := range slices.Backward(p.head) {
		words, units := p.words(h)
		if words == 0 && !named { // above a row of units names may be numbers
			continue
		}
		for i, c := range p.layout.columns {
			if c >= len(h.cells) || h.cells[c] == "" {
				continue
			}
			out[i].take(h.cells[c], units == words)
		}
		if units < words {
			break
		}
		named = true // units stand below names: look on for those
	}
	return out
}

// words counts the cells above the columns that hold words, and those of them that are units; 0 where a number is among them.
func (p *parser) words(h headRow) (words, units int) {
	for i, cell := range h.cells {
		if !slices.Contains(p.layout.columns, i) || cell == "" {
			continue
		}
		if _, ok := number([]byte(cell), p.layout.point); ok {
			return 0, 0
		}
		words++
		if _, _, ok := unitOf(cell); ok || strings.EqualFold(cell, "sequence") {
			units++
		}
	}
	if words < min(2, len(p.layout.columns)) {
		return 0, 0
	}
	return words, units
}

var behind = regexp.MustCompile(`^(.*?)\s*[(\[]\s*([^()\[\]]+?)\s*[)\]]\s*$`)

func (l *label) take(cell string, isUnit bool) {
	if isUnit {
		if unit, by, ok := unitOf(cell); ok {
			l.unit, l.by, l.said = unit, by, true
		} else {
			l.name = cell
		}
		return
	}
	name := cell
	if m := behind.FindStringSubmatch(cell); m != nil {
		if unit, by, ok := unitOf(m[2]); ok {
			name = m[1]
			if !l.said {
				l.unit, l.by, l.said = unit, by, true
			}
		} else if strings.EqualFold(m[2], "s") && isTime(m[1]) { // a capital S behind "time" is no siemens
			name, l.unit, l.by, l.said = m[1], quantity.Second, 1, true
		}
	}
	l.name = name
}

var spelt = map[string]quantity.Unit{
	"second": quantity.Second, "seconds": quantity.Second, "sec": quantity.Second, "volt": quantity.Volt, "volts": quantity.Volt,
	"ampere": quantity.Ampere, "amperes": quantity.Ampere, "amp": quantity.Ampere, "amps": quantity.Ampere,
}

// unitOf reads a unit with its prefix, or one spelt out, and what one of it is in base units.
func unitOf(text string) (unit quantity.Unit, by float64, ok bool) {
	text = strings.Trim(text, "()[] ")
	if u, known := spelt[strings.ToLower(text)]; known {
		return u, 1, true
	}
	v, err := quantity.Parse("1 " + text)
	if err != nil || v.Number == 0 {
		return quantity.Unit{}, 0, false
	}
	return v.Unit, v.Number, true
}

func isTime(name string) bool {
	switch strings.ToLower(strings.TrimSpace(name)) {
	case "time", "t", "second", "seconds":
		return true
	}
	return false
}

var (
	intervalKeys = regexp.MustCompile(`(?i)^(sample|sampling|time|x|horizontal)?[ _-]*(interval|period|increment|incr|step)\b|^(delta ?t|dt)\b`)
	rateKeys     = regexp.MustCompile(`(?i)^(sample|sampling)[ _-]*(rate|frequency|freq)\b`)
	countKeys    = regexp.MustCompile(`(?i)^(nr|no|number|count)\b.*\b(points|samples|data)\b|^(record length|size|points|samples)$`)
)

// interval is the time between two samples as the head says it; from says where.
func (p *parser) interval() (dt float64, from string, ok bool) {
	for _, s := range p.file.Settings {
		rate := rateKeys.MatchString(s.Key)
		if !rate && !intervalKeys.MatchString(s.Key) {
			continue
		}
		x, read := p.amount(s, rate)
		if !read || !(x > 0) {
			continue
		}
		if rate {
			x = 1 / x
		}
		return x, quoted(s), true
	}
	return p.headed("increment")
}

func quoted(s Setting) string {
	return strconv.Quote(s.Key+" "+s.Value) + " in line " + strconv.Itoa(s.Line)
}

// amount reads a setting that is a time or a rate; its unit stands behind the number, or in the name, or is the base unit.
func (p *parser) amount(s Setting, rate bool) (float64, bool) {
	want, text := quantity.Second, s.Value
	if rate {
		want = quantity.PerSecond
		for _, word := range []string{"Sa/s", "S/s", "sps", "SPS"} {
			text = strings.Replace(text, word, "Hz", 1)
		}
	}
	if x, ok := number([]byte(text), p.layout.point); ok {
		if m := behind.FindStringSubmatch(s.Key); m != nil {
			if unit, by, known := unitOf(m[2]); known && unit == want {
				return x * by, true
			}
		}
		return x, true
	}
	v, err := quantity.ParseAs(text, want)
	return v.Number, err == nil
}

// headed reads a number that stands in the head below a word of its own, beside the columns of data.
func (p *parser) headed(word string) (x float64, from string, ok bool) {
	for i, h := range p.head {
		for c, cell := range h.cells {
			if !strings.EqualFold(cell, word) || i+1 >= len(p.head) || c >= len(p.head[i+1].cells) {
				continue
			}
			if x, ok := number([]byte(p.head[i+1].cells[c]), p.layout.point); ok {
				return x, strconv.Quote(cell) + " in line " + strconv.Itoa(h.line), true
			}
		}
	}
	return 0, "", false
}

// announced is how many samples the head says that there are; 0 where it does not.
func (p *parser) announced() (n int, s Setting) {
	for _, s := range p.file.Settings {
		if !countKeys.MatchString(s.Key) {
			continue
		}
		if x, ok := number([]byte(s.Value), p.layout.point); ok && x == float64(int(x)) && x > 0 {
			return int(x), s
		}
	}
	return 0, Setting{}
}
