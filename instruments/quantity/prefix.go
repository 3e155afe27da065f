package quantity

// prefix is an SI prefix.
type prefix struct {
	symbol   string   // as it is printed
	others   []string // further spellings that are read
	exponent int
}

func (p prefix) spellings() []string { return append([]string{p.symbol}, p.others...) }

// prefixes in use at a bench. Both code points of micro are read, and u.
var prefixes = []prefix{
	{"p", nil, -12},
	{"n", nil, -9},
	{"µ", []string{"\u03bc", "u"}, -6},
	{"m", nil, -3},
	{"", nil, 0},
	{"k", nil, 3},
	{"M", nil, 6},
	{"G", nil, 9},
	{"T", nil, 12},
}

// scale says which prefixes a unit takes.
type scale int

const (
	plain scale = iota // none: 1200 rpm
	small              // below one only: nobody means megafarads or megaseconds
	full
)

func (s scale) takes(p prefix) bool {
	return p.exponent == 0 || s == full || (s == small && p.exponent < 0)
}

// prefixFor is the prefix with which a number of the size 10^exponent stands between 1 and 999, as far as the unit has one.
func (u Unit) prefixFor(exponent int) prefix {
	n, _ := named(u)
	var chosen *prefix
	for i, p := range prefixes {
		if n.scale.takes(p) && (chosen == nil || p.exponent <= exponent) {
			chosen = &prefixes[i]
		}
	}
	return *chosen
}
