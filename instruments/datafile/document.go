package datafile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// Document is a file that was read; it knows at which line a key stands.
type Document struct {
	name string
	root *yaml.Node
}

// Read reads a file into a struct. The error holds all faults at once.
func Read(path string, into any) (*Document, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, errors.Unwrap(err))
	}
	return Decode(path, data, into)
}

// Decode is Read for data in memory; name stands for the file in messages. into points to a struct whose fields have yaml
// tags; need:"true" says that a key may not be missing.
func Decode(name string, data []byte, into any) (*Document, error) {
	decoder := yaml.NewDecoder(bytes.NewReader(data))
	var root yaml.Node
	switch err := decoder.Decode(&root); {
	case errors.Is(err, io.EOF), err == nil && (len(root.Content) == 0 || null(root.Content[0])):
		return nil, Faults{{File: name, Text: "the file is empty"}}
	case err != nil:
		return nil, syntaxFault(name, data, err)
	}
	if err := decoder.Decode(new(yaml.Node)); !errors.Is(err, io.EOF) {
		return nil, Faults{{File: name, Text: "the file holds more than one document (a line ---), or goes on after its end"}}
	}
	d := &Document{name: name, root: root.Content[0]}
	r := reader{doc: d}
	r.value(d.root, reflect.ValueOf(into).Elem(), "")
	return d, r.faults.Err()
}

var yamlLine = regexp.MustCompile(`^yaml: line (\d+): `)

// syntaxFault moves the line that the YAML parser tells to where our faults have it.
func syntaxFault(name string, data []byte, err error) error {
	text, line := err.Error(), 0
	if m := yamlLine.FindStringSubmatch(text); m != nil {
		line, _ = strconv.Atoi(m[1]) // digits by the expression
		text = text[len(m[0]):]
	}
	if line == 0 {
		line = unreadable(data)
	}
	text = "not YAML: " + strings.TrimPrefix(text, "yaml: ")
	if strings.Contains(text, "cannot start any token") {
		text += "; is it a tab? Indent with spaces"
	}
	return Faults{{File: name, Line: line, Text: text}}
}

// Fault is a fault at a key of this document; a key that is missing is shown at its nearest parent.
func (d *Document) Fault(key, format string, args ...any) Fault {
	return Fault{File: d.name, Line: d.line(key), Key: key, Text: fmt.Sprintf(format, args...)}
}

// Name is the file as it was given.
func (d *Document) Name() string { return d.name }

// line is where the key stands, or the nearest of its parents that is there.
func (d *Document) line(key string) int {
	node, line := d.root, d.root.Line
	for key != "" {
		next, at, rest := step(resolve(node), key)
		if next == nil {
			break
		}
		node, line, key = next, at, rest
	}
	return line
}

// step goes one key or index down a path. Where keys hold points themselves ("bus.voltage") the longest that fits is taken.
func step(node *yaml.Node, path string) (next *yaml.Node, line int, rest string) {
	if node.Kind == yaml.SequenceNode {
		number, after, found := strings.Cut(strings.TrimPrefix(path, "["), "]")
		i, err := strconv.Atoi(number)
		if !found || err != nil || i < 0 || i >= len(node.Content) {
			return nil, 0, ""
		}
		return node.Content[i], node.Content[i].Line, strings.TrimPrefix(after, ".")
	}
	longest := -1
	for name, value := range pairs(node) {
		after, found := strings.CutPrefix(path, name.Value)
		if !found || len(name.Value) <= longest || (after != "" && after[0] != '.' && after[0] != '[') {
			continue
		}
		longest = len(name.Value)
		next, line, rest = value, name.Line, strings.TrimPrefix(after, ".")
	}
	return next, line, rest
}

// pairs are the keys of a mapping with their values; none of another kind.
func pairs(node *yaml.Node) iter.Seq2[*yaml.Node, *yaml.Node] {
	return func(yield func(*yaml.Node, *yaml.Node) bool) {
		if node.Kind != yaml.MappingNode {
			return
		}
		for i := 0; i+1 < len(node.Content); i += 2 {
			if !yield(node.Content[i], node.Content[i+1]) {
				return
			}
		}
	}
}

// null tells whether a value was left out: "key:" with nothing behind it.
func null(node *yaml.Node) bool {
	return node.Kind == yaml.ScalarNode && node.Tag == "!!null"
}

func resolve(node *yaml.Node) *yaml.Node {
	if node.Kind == yaml.AliasNode {
		return node.Alias
	}
	return node
}

// unreadable is the first line that holds what no text holds, which the YAML parser refuses without saying where; 0 where there
// is none.
func unreadable(data []byte) int {
	for i, line := range bytes.Split(data, []byte("\n")) {
		if !utf8.Valid(line) || bytes.ContainsFunc(line, func(r rune) bool { return unicode.IsControl(r) && r != '\t' && r != '\r' }) {
			return i + 1
		}
	}
	return 0
}
