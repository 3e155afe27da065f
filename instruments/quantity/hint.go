package quantity

import (
	"fmt"
	"slices"
	"strings"
)

// unknownUnit says of a unit that is not known which may have been meant.
func unknownUnit(symbol string) error {
	meant := lookalikes(symbol)
	if len(meant) == 0 {
		return fmt.Errorf("unit %q is not known; there are V, A, W, J, C, ohm, F, H, Hz, s, min, h, degC, rpm, %%, with a prefix where usual", symbol)
	}
	hint := fmt.Sprintf("unit %q is not known, did you mean %s?", symbol, strings.Join(meant, " or "))
	if len(meant) > 1 {
		hint += " m is milli, M is mega"
	}
	return fmt.Errorf("%s", hint)
}

// lookalikes are the units that differ from symbol in nothing but upper and lower case, or are the word for it; spelt so that
// any keyboard has them.
func lookalikes(symbol string) []string {
	var meant []string
	for _, n := range names {
		for _, p := range prefixes {
			if !n.scale.takes(p) {
				continue
			}
			for _, mark := range p.spellings() {
				alike := func(spelling string) bool { return strings.EqualFold(mark+spelling, symbol) }
				if slices.ContainsFunc(slices.Concat([]string{n.symbol}, n.others, n.words), alike) {
					meant = append(meant, strings.Replace(p.symbol, "µ", "u", 1)+n.unit.typed())
				}
			}
		}
	}
	return slices.Compact(meant)
}

// behind is the bare number with the unit that it may have been meant in. A ratio is not guessed: 0.03 may be 3 %.
func (u Unit) behind(number string) string {
	if u == Percent {
		number = "3"
	}
	return join(number, u.typed())
}
