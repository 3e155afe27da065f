package scpi

import (
	"fmt"
	"strings"
)

// Command is what a device does for one header. Do serves the header itself,
// Ask the query form; one that is nil makes that form an undefined header.
// Takes and AskTakes are the most parameters that each accepts; more are
// refused before the handler runs.
//
// A handler reads all its parameters before it acts, so that a bad one changes
// nothing. It runs while the device is locked: other sessions wait, unless it
// waits through Call.Await. An error that is no Error is reported as -200 with
// its text as detail.
type Command struct {
	Do       func(*Call) error
	Ask      func(*Call) (data string, err error)
	Takes    int
	AskTakes int
}

// Tree holds the commands of a device. It is filled before the first session
// and not changed afterwards.
type Tree struct {
	root   node
	common map[string]*Command
}

// NewTree returns a tree without commands.
func NewTree() *Tree {
	return &Tree{common: map[string]*Command{}}
}

type node struct {
	keyword
	children []*node
	command  *Command
	suffixes []suffixRange // along the path of command, root first
	slots    int
}

// Handle adds a command. The pattern has the short forms in capitals, optional
// nodes in brackets and numeric suffixes as <n> (1 or more) or <1..3>:
//
//	[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]
//	OUTPut<n>[:STATe]
//	*TRG
//
// Do and Ask of one header may be added apart. A pattern that is wrong, or a
// form that is taken, is a mistake in the program: Handle panics.
func (t *Tree) Handle(pattern string, c Command) {
	if strings.HasPrefix(pattern, "*") {
		name := strings.ToUpper(pattern)
		if t.common[name] == nil {
			t.common[name] = &Command{}
		}
		if !t.common[name].add(c) {
			panic(fmt.Sprintf("scpi: %s is taken", pattern))
		}
		return
	}
	paths, slots, err := parsePattern(pattern)
	if err != nil {
		panic(fmt.Sprintf("scpi: pattern %s: %v", pattern, err))
	}
	for _, path := range paths {
		n := &t.root
		suffixes := make([]suffixRange, len(path))
		for i, p := range path {
			n = n.child(p.keyword)
			suffixes[i] = p.suffix
		}
		if n.command == nil {
			n.command, n.suffixes, n.slots = &Command{}, suffixes, slots
		}
		if !n.command.add(c) {
			panic(fmt.Sprintf("scpi: pattern %s: a form of it is taken", pattern))
		}
	}
}

// add takes over the forms of d; it refuses one that is there already.
func (c *Command) add(d Command) bool {
	if c.Do != nil && d.Do != nil || c.Ask != nil && d.Ask != nil {
		return false
	}
	if d.Do != nil {
		c.Do, c.Takes = d.Do, d.Takes
	}
	if d.Ask != nil {
		c.Ask, c.AskTakes = d.Ask, d.AskTakes
	}
	return true
}

// child returns the child of that name, a new one if there is none.
func (n *node) child(k keyword) *node {
	for _, c := range n.children {
		if c.keyword == k {
			return c
		}
		if c.matches(k.short) || c.matches(k.long) {
			panic(fmt.Sprintf("scpi: %s and %s share a form", c.long, k.long))
		}
	}
	c := &node{keyword: k}
	n.children = append(n.children, c)
	return c
}

// step is one level of a header as it was sent.
type step struct {
	node   *node
	suffix int
}

// path is where a session stands in the tree.
type path []step

func (t *Tree) end(p path) *node {
	if len(p) == 0 {
		return &t.root
	}
	return p[len(p)-1].node
}

// walk follows a header from a place in the tree.
func (t *Tree) walk(from path, h header) (path, error) {
	at := from[:len(from):len(from)]
	if h.absolute {
		at = nil
	}
	for _, m := range h.mnemonics {
		var next *node
		for _, c := range t.end(at).children {
			if c.matches(m.name) {
				next = c
			}
		}
		if next == nil {
			return nil, NewError(-113, h.text)
		}
		at = append(at, step{node: next, suffix: m.suffix})
	}
	return at, nil
}

// suffixesOf gives the numeric suffixes of a command's header, in the order of
// its pattern; one that was not sent is 1.
func (t *Tree) suffixesOf(p path) ([]int, error) {
	n := t.end(p)
	numbers := make([]int, n.slots)
	for i := range numbers {
		numbers[i] = 1
	}
	for i, r := range n.suffixes {
		s := p[i].suffix
		if s < r.low || s > r.high {
			return nil, NewError(-114, fmt.Sprintf("%s%d", p[i].node.short, s))
		}
		if r.slot >= 0 {
			numbers[r.slot] = s
		}
	}
	return numbers, nil
}
