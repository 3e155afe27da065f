package dialect

import (
	"cmp"
	"maps"
	"slices"
	"strings"

	"benchwarden/instruments/datafile"
	"benchwarden/instruments/quantity"
	"benchwarden/instruments/scpi"
)

// checker collects what is wrong in a file.
type checker struct {
	*Dialect
	doc    *datafile.Document
	kind   kind
	faults datafile.Faults
}

func (c *checker) fault(key, format string, args ...any) {
	c.faults = append(c.faults, c.doc.Fault(key, format, args...))
}

// check looks at what the file's grammar alone does not show.
func (d *Dialect) check(doc *datafile.Document) error {
	k, known := kinds[d.Kind]
	c := &checker{Dialect: d, doc: doc, kind: k}
	if !known {
		c.fault("kind", "%q is no kind of instrument%s", d.Kind, datafile.DidYouMean(d.Kind, slices.Collect(maps.Keys(kinds))))
		return c.faults.Err()
	}
	c.conversation()
	c.timing()
	c.ranges()
	c.statuses()
	for name, cmd := range d.Commands {
		c.command(name, cmd)
	}
	for name, q := range d.Queries {
		c.query(name, q)
	}
	for name, cmd := range k.commands {
		if _, ok := d.Commands[name]; cmd.needed && !ok {
			c.fault("commands."+name, "is missing; a %s needs it", d.Kind)
		}
	}
	for name, q := range k.questions {
		if _, ok := d.Queries[name]; q.needed && !ok {
			c.fault("queries."+name, "is missing; a %s needs it", d.Kind)
		}
	}
	if d.Kind == "scope" && !d.Has("preamble") {
		for _, name := range []string{"trace_step", "trace_start", "trace_scale", "trace_offset"} {
			if !d.Has(name) {
				c.fault("queries."+name, "is missing; without a preamble each of its values has a question of its own")
			}
		}
	}
	slices.SortFunc(c.faults, func(a, b datafile.Fault) int {
		return cmp.Or(strings.Compare(a.Key, b.Key), strings.Compare(a.Text, b.Text))
	})
	return c.faults.Err()
}

func (c *checker) oneOf(key, value string, allowed ...string) bool {
	if slices.Contains(allowed, value) {
		return true
	}
	c.fault(key, "wants %s, got %q", strings.Join(allowed, " or "), value)
	return false
}

func (c *checker) conversation() {
	if c.Answers != "" {
		c.oneOf("answers", c.Answers, "scpi", "lines")
	}
	if c.oneOf("wait.by", c.Wait.By, ByOPC, ByDelay, ByPoll) {
		switch {
		case c.Wait.By != ByOPC && !(c.Wait.Delay > 0):
			c.fault("wait.delay", "wants a time above zero")
		case c.Wait.By == ByPoll && (c.Wait.Ask == "" || c.Wait.Done == ""):
			c.fault("wait", "waiting by poll needs ask and done")
		}
	}
	for key, text := range map[string]string{"identity.ask": c.Identity.Ask, "wait.ask": c.Wait.Ask, "wait.done": c.Wait.Done,
		"error_queue": c.ErrorQueue, "resync.ask": c.Resync.Ask, "resync.answer": c.Resync.Answer} {
		if err := printable(text); err != nil {
			c.fault(key, "%v", err)
		}
	}
	switch r := c.Resync; {
	case r.Ask == "" && r.Answer == "" && !(r.Silence > 0):
		c.fault("resync", "wants either ask and answer, or silence")
	case r.Ask == "" && r.Answer == "":
	case r.Silence != 0:
		c.fault("resync.silence", "has no meaning beside ask")
	case !strings.Contains(r.Answer, "{a}") || !strings.Contains(r.Answer, "{b}") || !strings.Contains(r.Ask, "{a}") || !strings.Contains(r.Ask, "{b}"):
		c.fault("resync", "ask and answer want {a} and {b}: with fewer random numbers a late answer might be taken for the token")
	}
	if c.Connections < 1 {
		c.fault("connections", "wants 1 or more")
	}
	if c.kind.overCurrent {
		c.oneOf("over_current", c.OverCurrent, "level", "on_cc", None)
	} else if c.OverCurrent != "" {
		c.fault("over_current", "belongs to a supply")
	}
}

func (c *checker) timing() {
	for key, t := range map[string]quantity.Seconds{"takes_effect_within": c.TakesEffectWithin, "reply_within": c.ReplyWithin} {
		if !(t > 0 && t <= 60) {
			c.fault(key, "wants a time above zero, up to 60 s")
		}
	}
	for key, t := range map[string]quantity.Seconds{"gap": c.Gap, "character_gap": c.CharacterGap} {
		if !(t >= 0 && t <= 1) {
			c.fault(key, "wants a time from zero to 1 s")
		}
	}
}

// ranges: each has to be a parameter's, in its unit, and each number that can be sent has to have one.
func (c *checker) ranges() {
	params := map[string]param{}
	for _, cmd := range c.kind.commands {
		maps.Copy(params, cmd.params)
	}
	for _, q := range c.kind.questions {
		maps.Copy(params, q.params)
	}
	maps.DeleteFunc(params, func(_ string, p param) bool { return p.is != aNumber && p.is != aWhole })
	for name, span := range c.Ranges {
		switch p, known := params[name]; {
		case !known:
			c.fault("ranges."+name, "unknown%s", datafile.DidYouMean(name, slices.Collect(maps.Keys(params))))
		case span.Min.Unit != p.unit && p.unit == quantity.One:
			c.fault("ranges."+name, "wants bare numbers")
		case span.Min.Unit != p.unit:
			c.fault("ranges."+name, "wants values in %v, got %v", p.unit, span)
		}
	}
}

func (c *checker) statuses() {
	byBit := 0
	for name, m := range c.Status {
		if !slices.Contains(c.kind.states, name) {
			c.fault("status."+name, "unknown%s", datafile.DidYouMean(name, c.kind.states))
		}
		if m.bit >= 0 {
			byBit++
		}
	}
	if byBit > 0 && byBit < len(c.Status) {
		c.fault("status", "is either by bits or by words")
	}
	if len(c.kind.states) > 0 && len(c.Status) == 0 {
		c.fault("status", "is missing; a %s has to say what its status means", c.Kind)
	}
}

func (c *checker) command(name string, cmd Command) {
	known, ok := c.kind.commands[name]
	if !ok {
		c.fault("commands."+name, "a %s has no such command%s", c.Kind, datafile.DidYouMean(name, slices.Collect(maps.Keys(c.kind.commands))))
		return
	}
	c.template("commands."+name+".send", cmd.Send, known.params)
	if !(cmd.Within >= 0) {
		c.fault("commands."+name+".within", "wants a time above zero")
	}
}

// template: its parameters have to be the command's, all of them, each written in a way that fits, each number with a range.
func (c *checker) template(key string, t Template, params map[string]param) {
	used := t.parameters()
	for _, s := range t.parts {
		if s.name == "" {
			continue
		}
		p, ok := params[s.name]
		if !ok {
			if len(params) == 0 {
				c.fault(key, "has no parameters, so no {%s}", s.name)
			} else {
				c.fault(key, "has no parameter %s%s", s.name, datafile.DidYouMean(s.name, slices.Collect(maps.Keys(params))))
			}
			continue
		}
		if err := s.form.fits(p); err != nil {
			c.fault(key, "{%s} %v", s.name, err)
		}
	}
	for name, p := range params {
		if !slices.Contains(used, name) {
			c.fault(key, "does not say {%s}", name)
		} else if _, ok := c.Ranges[name]; !ok && (p.is == aNumber || p.is == aWhole) {
			c.fault("ranges."+name, "is missing; nothing is sent without a range")
		}
	}
}

func (c *checker) query(name string, q Query) {
	key := "queries." + name
	known, ok := c.kind.questions[name]
	if !ok {
		c.fault(key, "a %s has no such question%s", c.Kind, datafile.DidYouMean(name, slices.Collect(maps.Keys(c.kind.questions))))
		return
	}
	c.template(key+".ask", q.Ask, known.params)
	if len(q.Values) == 0 {
		if len(known.values) > 1 {
			c.fault(key+".values", "is missing; this answer tells %s", strings.Join(slices.Sorted(maps.Keys(known.values)), ", "))
			return
		}
		if q.Split != "" || q.Count != 0 || q.Position != 0 || q.Key != "" {
			c.fault(key, "split, count, position and key belong to an answer with values")
		}
		for _, v := range known.values {
			c.reader(key, q.Reader, v)
		}
		return
	}
	c.oneOf(key+".split", q.Split, ",", ";", bySpace)
	for value, r := range q.Values {
		at := key + ".values." + value
		v, ok := known.values[value]
		if !ok {
			c.fault(at, "unknown%s", datafile.DidYouMean(value, slices.Collect(maps.Keys(known.values))))
			continue
		}
		if (r.Position > 0) == (r.Key != "") || r.Position < 0 {
			c.fault(at, "wants either a position from 1 or a key")
		}
		if q.Count > 0 && r.Position > q.Count {
			c.fault(at, "stands at position %d of %d", r.Position, q.Count)
		}
		c.reader(at, r, v)
	}
	for value, v := range known.values {
		if _, ok := q.Values[value]; !ok && !v.optional {
			c.fault(key+".values."+value, "is missing")
		}
	}
}

func (c *checker) reader(key string, r Reader, v value) {
	isNumber := v.is == aNumber || v.is == aWhole
	if r.Suffix != "" {
		if !isNumber {
			c.fault(key+".suffix", "belongs to a number")
		} else if _, err := quantity.ParseAs("1 "+r.Suffix, v.unit); err != nil && r.Factor == 0 {
			c.fault(key+".suffix", "%q is not read as %v; say the factor too", r.Suffix, v.unit)
		}
	}
	if r.Factor != 0 && !isNumber {
		c.fault(key+".factor", "belongs to a number")
	}
	if len(r.Words) > 0 {
		ours := v.words
		if v.is == aSwitch {
			ours = []string{yes, no}
		}
		for theirs, word := range r.Words {
			if !slices.Contains(ours, word) {
				c.fault(key+".words."+theirs, "%q is none of %s", word, strings.Join(ours, ", "))
			}
		}
	}
	if v.is == aBlock {
		c.oneOf(key+".samples", r.Samples, Int8, Uint8, Int16, Uint16, Float32)
		if r.width() > 1 {
			c.oneOf(key+".order", r.Order, "big", "little")
		}
	} else if r.Samples != "" || r.Order != "" {
		c.fault(key, "samples and order belong to a block")
	}
	if v.is == aStatus && len(c.Status) == 0 {
		c.fault(key, "cannot be read without status")
	}
}

// framer tells where answers end.
func (d *Dialect) framer() interface {
	End([]byte) (int, int, int, error)
} {
	if d.Answers == "lines" {
		return nil
	}
	return scpi.Framing{EOL: string(d.EOL)}
}
