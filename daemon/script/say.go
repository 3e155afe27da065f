package script

import (
	"fmt"

	"go.starlark.net/starlark"

	"benchwarden/daemon/event"
	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

func (e *engine) step(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var text string
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &text); err != nil {
		return nil, err
	}
	e.rig.Emit(event.Step{Text: text})
	return starlark.None, nil
}

func (e *engine) note(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var text string
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &text); err != nil {
		return nil, err
	}
	e.rig.Emit(event.Note{Text: text})
	return starlark.None, nil
}

// check(name, subject, reading, low, high, uncertainty, ok, reason, part, change, instrument) compares and keeps the verdict.
// Either a reading with a limit is given or ok says the result; a reading knows its instruments. It returns the outcome: "pass", "fail" or "undecided".
func (e *engine) check(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var c verdict.Check
	var reading, low, high, uncertainty maybe
	var ok starlark.Value = starlark.None
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "name", &c.Name, "subject", &c.Subject, "reading?", &reading,
		"low?", &low, "high?", &high, "uncertainty?", &uncertainty, "ok?", &ok, "reason?", &c.Reason, "part?", &c.Part,
		"change?", &c.Change, "instrument?", &c.Instrument); err != nil {
		return nil, err
	}
	if reading.measured != nil {
		if err := compare(&c, *reading.measured, low.measured, high.measured, uncertainty.measured, e.family.Decision.Rule()); err != nil {
			return nil, err
		}
	}
	switch {
	case ok == starlark.None && (reading.measured == nil || low.measured == nil && high.measured == nil):
		return nil, fmt.Errorf("check %q: give a reading with a limit, or ok", c.Name)
	case ok != starlark.None && !bool(ok.Truth()):
		c.Outcome = verdict.Fail
	case c.Outcome == "":
		c.Outcome = verdict.Pass
	}
	if c.Outcome == verdict.Pass {
		c.Part = ""
	}
	return starlark.String(e.keep(c).Outcome), nil
}

// compare decides a check whose reading has limits; without limits the reading is only kept.
func compare(c *verdict.Check, reading measured, low, high, uncertainty *measured, rule verdict.Rule) error {
	u := reading.uncertainty
	for _, other := range []*measured{low, high, uncertainty} {
		if other != nil && other.Unit != reading.Unit {
			return fmt.Errorf("check %q: a reading in %v against %v", c.Name, reading.Unit, other.Value)
		}
	}
	if uncertainty != nil {
		u = uncertainty.Number
	}
	number := func(m *measured) *float64 {
		if m == nil {
			return nil
		}
		return &m.Number
	}
	value := func(m *measured) *quantity.Value {
		if m == nil {
			return nil
		}
		return &m.Value
	}
	c.Reading, c.Low, c.High = &reading.Value, value(low), value(high)
	if u > 0 {
		c.Budget = budget(reading, u)
		c.Uncertainty = &quantity.Value{Number: u, Unit: reading.Unit}
	}
	if reading.instrument != "" {
		c.Instrument = together(c.Instrument, reading.instrument)
	}
	if low == nil && high == nil {
		return nil
	}
	c.Outcome, c.Rule = verdict.Decide(reading.Number, u, number(low), number(high), rule), rule.String()
	return nil
}

// budget is what the uncertainty of a reading is made of; what a script adds or states itself is a part of its own.
func budget(reading measured, u float64) *verdict.Budget {
	b := verdict.NewBudget(reading.Unit)
	b.Parts = reading.budget
	if u != reading.uncertainty && (len(b.Parts) == 0 || !b.UpTo("what the script adds", u)) {
		b.Parts = nil
	}
	if len(b.Parts) == 0 {
		b.Half("as the script works it out", u)
	}
	return b
}

// unproven keeps a check that could not be made, with why and what would change it.
func (e *engine) unproven(outcome verdict.Outcome, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	c := verdict.Check{Outcome: outcome}
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "name", &c.Name, "subject", &c.Subject, "reason", &c.Reason,
		"change?", &c.Change, "part?", &c.Part); err != nil {
		return nil, err
	}
	e.keep(c)
	return starlark.None, nil
}

func (e *engine) undecided(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	return e.unproven(verdict.Undecided, b, args, kwargs)
}

func (e *engine) notShown(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	return e.unproven(verdict.NotShown, b, args, kwargs)
}

func (e *engine) notApplicable(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	return e.unproven(verdict.NotApplicable, b, args, kwargs)
}

// finding(subject, text, part, do, devices) is a conclusion in words; devices says that new power devices mend it.
func (e *engine) finding(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var f event.Finding
	if err := starlark.UnpackArgs(b.Name(), args, kwargs, "subject", &f.Subject, "text", &f.Text, "part?", &f.Part,
		"do?", &f.Do, "devices?", &f.Devices); err != nil {
		return nil, err
	}
	e.conclude(f)
	return starlark.None, nil
}

func (e *engine) conclude(f event.Finding) {
	e.findings = append(e.findings, f)
	e.rig.Emit(f)
}
