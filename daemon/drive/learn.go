package drive

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"benchwarden/instruments/quantity"
)

// Learnt lists the runs on good units that a family's figures came from; empty where they came from data. A file without such
// runs may say false.
type Learnt []string

// UnmarshalText reads "false".
func (l *Learnt) UnmarshalText(text []byte) error {
	if string(text) != "false" {
		return errors.New("wants the list of the runs that it was learnt from, or false")
	}
	*l = nil
	return nil
}

// Lesson is what good units showed of one figure.
type Lesson struct {
	Least, Most quantity.Value
	U           float64 // the largest 95 % half width of a reading
}

// Lessons are what is learnt; nil is not seen.
type Lessons struct {
	On, Off     *Lesson // gate levels
	Frequency   *Lesson
	DeadTime    *Lesson
	Capacitance *Lesson
	Quiescent   *Lesson
}

// How much is left around what good units showed, to both sides (common practice, no source).
const (
	aroundLevel     = 0.1  // of the gate's swing
	aroundFrequency = 0.05 // of the value
	aroundDeadTime  = 0.3
	aroundCapacity  = 0.2
	aroundQuiescent = 0.3
)

// Learn writes a family file from the file that good units were tested by: name and title, the runs, and the figures that the
// units showed, each with room around it. A limit that the file had is only ever narrowed. It tells what was learnt, in words.
func Learn(base *Family, name, title string, runs []string, l Lessons) (text string, told []string, err error) {
	p := &pupil{text: base.Text()}
	p.set(name, "family")
	p.set(quoted(title), "title")
	p.marked(runs)
	swing := 0.0
	if l.On != nil && l.Off != nil {
		swing = l.On.Most.Number - l.Off.Least.Number
		p.band("gate.on", "gate level on", l.On, aroundLevel*swing, float64(base.Gate.On.Low), float64(base.Gate.On.High))
		p.band("gate.off", "gate level off", l.Off, aroundLevel*swing, float64(base.Gate.Off.Low), float64(base.Gate.Off.High))
	}
	p.centre("modulation.frequency", "modulation.frequency_within", "chopping frequency", l.Frequency, aroundFrequency, base.Modulation.Frequency.Value(), float64(base.Modulation.Within))
	if d := l.DeadTime; d != nil {
		p.ends("modulation.dead_time.shortest", "modulation.dead_time.longest", "dead time", d, aroundDeadTime*d.Most.Number,
			float64(base.Modulation.DeadTime.Shortest), float64(base.Modulation.DeadTime.Longest))
	}
	p.centre("bus.capacitance", "bus.capacitance_within", "bus capacitance", l.Capacitance, aroundCapacity, base.Bus.Capacitance.Value(), float64(base.Bus.CapWithin))
	if q := l.Quiescent; q != nil {
		p.band("bus.quiescent", "quiescent current", q, aroundQuiescent*q.Most.Number, float64(base.Bus.Quiescent.Low), float64(base.Bus.Quiescent.High))
	}
	switch {
	case p.err != nil:
		return "", nil, p.err
	case len(p.told) == 0:
		return "", nil, errors.New("these runs show no figure that a family file could learn: run bus_ramp and gate_sweep on a good unit")
	}
	return p.text, p.told, nil
}

// pupil changes figures of a family file's text.
type pupil struct {
	text string
	told []string
	err  error
}

func (p *pupil) band(key, what string, l *Lesson, around, lowest, highest float64) {
	p.ends(key+".low", key+".high", what, l, around, lowest, highest)
}

// ends sets both ends of what is allowed, never outside what was allowed before.
func (p *pupil) ends(lowKey, highKey, what string, l *Lesson, around, lowest, highest float64) {
	unit := l.Least.Unit
	low := quantity.Value{Number: max(lowest, l.Least.Number-l.U-around), Unit: unit}
	high := quantity.Value{Number: min(highest, l.Most.Number+l.U+around), Unit: unit}
	p.set(low.String(), strings.Split(lowKey, ".")...)
	p.set(high.String(), strings.Split(highKey, ".")...)
	p.told = append(p.told, fmt.Sprintf("%s: %v to %v were seen, %v to %v are allowed", what, l.Least, l.Most, low, high))
}

// centre sets a value with its tolerance; where the new tolerance would reach outside the old limits it is narrowed.
func (p *pupil) centre(key, withinKey, what string, l *Lesson, around float64, was quantity.Value, within float64) {
	if l == nil {
		return
	}
	middle := (l.Least.Number + l.Most.Number) / 2
	share := around + (l.Most.Number-l.Least.Number)/2/middle + l.U/middle
	share = min(share, was.Number*(1+within)/middle-1, 1-was.Number*(1-within)/middle)
	if !(share > 0) {
		p.err = errors.Join(p.err, fmt.Errorf("%s: %v lies at the end of what the family allowed: it teaches nothing", what, l.Most))
		return
	}
	value, tolerance := quantity.Value{Number: middle, Unit: l.Least.Unit}, quantity.Ratio(share)
	p.set(value.String(), strings.Split(key, ".")...)
	p.set(tolerance.String(), strings.Split(withinKey, ".")...)
	p.told = append(p.told, fmt.Sprintf("%s: %v to %v were seen, %v within %v is allowed", what, l.Least, l.Most, value, tolerance))
}

// marked writes the runs behind learnt, below the title where the key was not there.
func (p *pupil) marked(runs []string) {
	list := make([]string, len(runs))
	for i, r := range runs {
		list[i] = quoted(r)
	}
	value := "[" + strings.Join(list, ", ") + "]"
	if line, node := p.find("learnt"); node != nil {
		if node.Kind != yaml.ScalarNode {
			p.err = errors.Join(p.err, errors.New("this family is learnt already; learn from the file that it came from"))
			return
		}
		p.replace(line, node, value)
		return
	}
	if line, _ := p.find("title"); line > 0 {
		lines := strings.SplitAfter(p.text, "\n")
		p.text = strings.Join(slices.Insert(lines, line, "learnt: "+value+"\n"), "")
	}
}

// set changes the value of a key that stands plainly in the file.
func (p *pupil) set(value string, path ...string) {
	line, node := p.find(path...)
	if node == nil || node.Kind != yaml.ScalarNode {
		p.err = errors.Join(p.err, fmt.Errorf("%s is missing in the family file", strings.Join(path, ".")))
		return
	}
	p.replace(line, node, value)
}

func (p *pupil) replace(line int, node *yaml.Node, value string) {
	lines := strings.SplitAfter(p.text, "\n")
	from, old := node.Column-1, node.Value
	if node.Style != 0 || !strings.HasPrefix(lines[line-1][min(from, len(lines[line-1])):], old) {
		p.err = errors.Join(p.err, fmt.Errorf("line %d: %q is not written plainly: change it by hand", line, old))
		return
	}
	lines[line-1] = lines[line-1][:from] + value + lines[line-1][from+len(old):]
	p.text = strings.Join(lines, "")
}

// find is the value of a key with its line, counted from 1.
func (p *pupil) find(path ...string) (line int, node *yaml.Node) {
	var doc yaml.Node
	if err := yaml.Unmarshal([]byte(p.text), &doc); err != nil || len(doc.Content) == 0 {
		return 0, nil
	}
	node = doc.Content[0]
	for _, key := range path {
		if _, node = entry(node, key); node == nil {
			return 0, nil
		}
	}
	return node.Line, node
}

// quoted keeps a text of ours one YAML value.
func quoted(text string) string { return "'" + strings.ReplaceAll(text, "'", "''") + "'" }
