package scpi

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// longestMnemonic is the most characters of a mnemonic (IEEE 488.2 clause
// 7.6.1.4).
const longestMnemonic = 12

// keyword is a mnemonic with exactly two legal forms, as in VOLTage: VOLT and
// VOLTAGE, in any case.
type keyword struct{ short, long string }

// newKeyword takes the short form from the capitals that the text starts with.
func newKeyword(text string) (keyword, error) {
	n := 0
	for n < len(text) && ('A' <= text[n] && text[n] <= 'Z' || text[n] == '_') {
		n++
	}
	for _, c := range text[n:] {
		if (c < 'a' || c > 'z') && c != '_' {
			return keyword{}, fmt.Errorf("%q is not capitals followed by small letters", text)
		}
	}
	if n == 0 || len(text) > longestMnemonic {
		return keyword{}, fmt.Errorf("%q: want 1 to %d letters, the short form in capitals", text, longestMnemonic)
	}
	return keyword{short: text[:n], long: strings.ToUpper(text)}, nil
}

func (k keyword) matches(text string) bool {
	return strings.EqualFold(text, k.short) || strings.EqualFold(text, k.long)
}

// suffixRange is what numbers may follow a mnemonic; slot is the index of the
// number for Call.Suffix, -1 where the pattern has none (only 1 is accepted).
type suffixRange struct{ slot, low, high int }

// patternNode is one level of a header pattern.
type patternNode struct {
	keyword
	suffix suffixRange
}

// parsePattern lists every header that a pattern stands for: optional nodes
// present and absent.
func parsePattern(pattern string) (paths [][]patternNode, slots int, err error) {
	type group struct {
		nodes    []patternNode
		optional bool
	}
	var groups []group
	var nodes []string
	rest := pattern
	for rest != "" {
		text, optional := "", false
		if rest[0] == '[' {
			end := strings.IndexByte(rest, ']')
			if end < 0 {
				return nil, 0, fmt.Errorf("a bracket is not closed")
			}
			text, rest, optional = rest[1:end], rest[end+1:], true
		} else {
			end := strings.IndexByte(rest, '[')
			if end < 0 {
				end = len(rest)
			}
			text, rest = rest[:end], rest[end:]
		}
		g := group{optional: optional}
		for node := range strings.SplitSeq(strings.Trim(text, ":"), ":") {
			nodes = append(nodes, node)
			n, err := parseNode(node, &slots)
			if err != nil {
				return nil, 0, err
			}
			g.nodes = append(g.nodes, n)
		}
		groups = append(groups, g)
	}
	if strings.Join(nodes, ":") != strings.NewReplacer("[", "", "]", "").Replace(pattern) {
		return nil, 0, fmt.Errorf("colons stand between nodes, inside the brackets of an optional one")
	}
	paths = [][]patternNode{nil}
	for _, g := range groups {
		var longer [][]patternNode
		for _, p := range paths {
			if g.optional {
				longer = append(longer, p)
			}
			longer = append(longer, append(p[:len(p):len(p)], g.nodes...))
		}
		paths = longer
	}
	for _, p := range paths {
		if len(p) == 0 {
			return nil, 0, fmt.Errorf("no node is left when the optional ones are omitted")
		}
	}
	return paths, slots, nil
}

func parseNode(text string, slots *int) (patternNode, error) {
	name, numbers, has := strings.Cut(text, "<")
	k, err := newKeyword(name)
	if err != nil {
		return patternNode{}, err
	}
	n := patternNode{keyword: k, suffix: suffixRange{slot: -1, low: 1, high: 1}}
	if !has {
		return n, nil
	}
	n.suffix = suffixRange{slot: *slots, low: 1, high: math.MaxInt}
	*slots++
	numbers, closed := strings.CutSuffix(numbers, ">")
	if !closed {
		return patternNode{}, fmt.Errorf("%q: the suffix is not closed", text)
	}
	if numbers == "n" {
		return n, nil
	}
	low, high, _ := strings.Cut(numbers, "..")
	var errLow, errHigh error
	n.suffix.low, errLow = strconv.Atoi(low)
	n.suffix.high, errHigh = strconv.Atoi(high)
	if errLow != nil || errHigh != nil || n.suffix.low > n.suffix.high {
		return patternNode{}, fmt.Errorf("%q: a suffix is <n> or a range such as <1..3>", text)
	}
	return n, nil
}
