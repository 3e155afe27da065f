package script

import (
	"fmt"
	"math"
	"slices"

	"go.starlark.net/starlark"

	"benchwarden/daemon/verdict"
	"benchwarden/instruments/quantity"
)

// derived is what was worked out of two quantities, with their uncertainties, each times how much the result moves with it. Readings
// of different instruments are independent: the root of the sum of squares. Nobody knows how the errors of one instrument go
// together, the same gain in both or not: then the sum, which no correlation exceeds.
//
// Source: JCGM 100:2008 (GUM), 5.1.2, and 5.2.2 with its note 1. To the first order.
func derived(result quantity.Value, a, b measured, moveA, moveB float64) measured {
	m := measured{Value: result, instrument: together(a.instrument, b.instrument)}
	ua, ub := math.Abs(moveA)*a.uncertainty, math.Abs(moveB)*b.uncertainty
	switch {
	case ua == 0 && ub == 0:
	case ub == 0:
		m.uncertainty, m.budget = ua, scaled(a.budget, moveA, result.Unit)
	case ua == 0:
		m.uncertainty, m.budget = ub, scaled(b.budget, moveB, result.Unit)
	case independent(a, b):
		parts := verdict.NewBudget(result.Unit)
		parts.Half(a.source(), ua)
		parts.Half(b.source(), ub)
		m.uncertainty, m.budget = math.Hypot(ua, ub), parts.Parts
	default:
		parts := verdict.NewBudget(result.Unit)
		parts.Half(fmt.Sprintf("%s and %s, whose errors may go together", a.source(), b.source()), ua+ub)
		m.uncertainty, m.budget = ua+ub, parts.Parts
	}
	return m
}

// independent says that two quantities come from instruments that are known and are not the same.
func independent(a, b measured) bool {
	of, others := instruments(a.instrument), instruments(b.instrument)
	return len(of) > 0 && len(others) > 0 && !slices.ContainsFunc(of, func(name string) bool { return slices.Contains(others, name) })
}

// source names a quantity in a budget.
func (m measured) source() string {
	switch {
	case m.name != "":
		return fmt.Sprintf("%s (%v)", m.name, m.Value)
	case m.instrument != "":
		return fmt.Sprintf("%v of %s", m.Value, m.instrument)
	}
	return m.Value.String()
}

// scaled are the parts of a budget in another measure.
func scaled(parts []verdict.Part, by float64, unit quantity.Unit) []verdict.Part {
	out := slices.Clone(parts)
	for i := range out {
		out[i].Value = quantity.Value{Number: out[i].Value.Number * math.Abs(by), Unit: unit}
		out[i].Standard = quantity.Value{Number: out[i].Standard.Number * math.Abs(by), Unit: unit}
	}
	return out
}

// ratio(a, b) is a / b of two quantities in one unit as a share, which keeps their uncertainty: 98 % ± 0.3 %.
func ratio(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	var of, to measured
	if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 2, &of, &to); err != nil {
		return nil, err
	}
	switch {
	case of.Unit != to.Unit:
		return nil, fmt.Errorf("%s: %v and %v are in different units", b.Name(), of.Value, to.Value)
	case to.Number == 0:
		return nil, fmt.Errorf("%s: %v divided by zero", b.Name(), of.Value)
	}
	share := quantity.Ratio(of.Number / to.Number).Value()
	return derived(share, of, to, 1/to.Number, share.Number/to.Number), nil
}
