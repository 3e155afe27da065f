package verdict

import (
	"fmt"
	"math"
	"strconv"

	"benchwarden/instruments/quantity"
)

// Ratio is the test uncertainty ratio: the width between the limits over twice the 95 % half width. ok is false where there is
// no uncertainty, or only one limit: then there is no width.
//
// Source: the definition of ANSI/NCSL Z540.3, known from memory.
func (c Check) Ratio() (ratio float64, ok bool) {
	if c.Uncertainty == nil || !(c.Uncertainty.Number > 0) || c.Low == nil || c.High == nil {
		return 0, false
	}
	return (c.High.Number - c.Low.Number) / (2 * c.Uncertainty.Number), true
}

// BudgetLines tells what the uncertainty of the check is made of, a line a contribution, then the sum with the test
// uncertainty ratio. A check without a reading has none.
func (c Check) BudgetLines() []string {
	if c.Reading == nil {
		return nil
	}
	if c.Budget == nil || len(c.Budget.Parts) == 0 {
		return []string{"no uncertainty is stated for this reading"}
	}
	var lines []string
	for _, p := range c.Budget.Parts {
		degrees := ""
		if p.Degrees > 0 {
			degrees = fmt.Sprintf(" with %s degrees of freedom", strconv.FormatFloat(p.Degrees, 'g', 3, 64))
		}
		lines = append(lines, fmt.Sprintf("%s: ± %s (%s%s), u = %s", p.Name, rounded(p.Value), p.Kind, degrees, rounded(p.Standard)))
	}
	unit := c.Reading.Unit
	u, k := c.Budget.Expanded()
	sum := fmt.Sprintf("together u = %s, U = %s (k = %.2f)", rounded(quantity.Value{Number: c.Budget.Combined(), Unit: unit}),
		rounded(quantity.Value{Number: u, Unit: unit}), k)
	return append(lines, sum+"; "+c.room())
}

// room is how the limits compare with the uncertainty.
func (c Check) room() string {
	if ratio, ok := c.Ratio(); ok {
		return fmt.Sprintf("test uncertainty ratio %.1f", ratio)
	}
	var limit *quantity.Value
	switch {
	case c.Low != nil:
		limit = c.Low
	case c.High != nil:
		limit = c.High
	}
	if limit == nil || c.Uncertainty == nil || !(c.Uncertainty.Number > 0) {
		return "no test uncertainty ratio without limits"
	}
	return fmt.Sprintf("one limit only, the reading lies %.1f U from it", math.Abs(c.Reading.Number-limit.Number)/c.Uncertainty.Number)
}

// rounded has two digits, as an uncertainty is stated (GUM 7.2.6).
func rounded(v quantity.Value) string { return quantity.Digits(v, v.Number) }
