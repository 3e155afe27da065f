package scpi

import (
	"errors"
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

// patternGroup is a run of nodes that are sent or omitted together.
type patternGroup struct {
	nodes    []patternNode
	optional bool
}

// parsePattern lists every header that a pattern stands for: optional nodes
// present and absent. slots counts its numeric suffixes.
func parsePattern(pattern string) (paths [][]patternNode, slots int, err error) {
	var groups []patternGroup
	var names []string
	for rest := pattern; rest != ""; {
		var text string
		var g patternGroup
		text, rest, g.optional, err = cutGroup(rest)
		if err != nil {
			return nil, 0, err
		}
		for name := range strings.SplitSeq(strings.Trim(text, ":"), ":") {
			n, err := parseNode(name, &slots)
			if err != nil {
				return nil, 0, err
			}
			names = append(names, name)
			g.nodes = append(g.nodes, n)
		}
		groups = append(groups, g)
	}
	if strings.Join(names, ":") != strings.NewReplacer("[", "", "]", "").Replace(pattern) {
		return nil, 0, errors.New("colons stand between nodes, inside the brackets of an optional one")
	}
	paths, err = expand(groups)
	return paths, slots, err
}

// cutGroup takes the nodes up to the next bracket, or those inside one.
func cutGroup(pattern string) (text, rest string, optional bool, err error) {
	if inside, ok := strings.CutPrefix(pattern, "["); ok {
		text, rest, closed := strings.Cut(inside, "]")
		if !closed {
			return "", "", false, errors.New("a bracket is not closed")
		}
		return text, rest, true, nil
	}
	end := strings.IndexByte(pattern, '[')
	if end < 0 {
		end = len(pattern)
	}
	return pattern[:end], pattern[end:], false, nil
}

func expand(groups []patternGroup) ([][]patternNode, error) {
	paths := [][]patternNode{nil}
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
	if len(paths[0]) == 0 {
		return nil, errors.New("no node is left when the optional ones are omitted")
	}
	return paths, nil
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
