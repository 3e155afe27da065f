package datafile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"reflect"
	"regexp"
	"strconv"
	"strings"

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
	if err := decoder.Decode(&root); errors.Is(err, io.EOF) || (err == nil && len(root.Content) == 0) {
		return nil, Faults{{File: name, Text: "the file is empty"}}
	} else if err != nil {
		return nil, syntaxFault(name, err)
	}
	if err := decoder.Decode(new(yaml.Node)); !errors.Is(err, io.EOF) {
		return nil, Faults{{File: name, Text: "the file holds more than one document"}}
	}
	d := &Document{name: name, root: root.Content[0]}
	r := reader{doc: d}
	r.value(d.root, reflect.ValueOf(into).Elem(), "", 0)
	return d, r.faults.Err()
}

var yamlLine = regexp.MustCompile(`^yaml: line (\d+): `)

// syntaxFault moves the line that the YAML parser tells to where our faults have it.
func syntaxFault(name string, err error) error {
	text, line := err.Error(), 0
	if m := yamlLine.FindStringSubmatch(text); m != nil {
		line, _ = strconv.Atoi(m[1]) // digits by the expression
		text = text[len(m[0]):]
	}
	return Faults{{File: name, Line: line, Text: strings.TrimPrefix(text, "yaml: ")}}
}

// Fault is a fault at a key of this document; a key that is missing is shown at its nearest parent.
func (d *Document) Fault(key, format string, args ...any) Fault {
	return Fault{File: d.name, Line: d.line(key), Key: key, Text: fmt.Sprintf(format, args...)}
}

// Name is the file as it was given.
func (d *Document) Name() string { return d.name }

var pathStep = regexp.MustCompile(`[^.\[\]]+`)

func (d *Document) line(key string) int {
	node, line := d.root, d.root.Line
	for _, step := range pathStep.FindAllString(key, -1) {
		next, at := child(resolve(node), step)
		if next == nil {
			return line
		}
		node, line = next, at
	}
	return line
}

func child(node *yaml.Node, step string) (*yaml.Node, int) {
	switch node.Kind {
	case yaml.MappingNode:
		for i := 0; i+1 < len(node.Content); i += 2 {
			if node.Content[i].Value == step {
				return node.Content[i+1], node.Content[i].Line
			}
		}
	case yaml.SequenceNode:
		if i, err := strconv.Atoi(step); err == nil && i >= 0 && i < len(node.Content) {
			return node.Content[i], node.Content[i].Line
		}
	}
	return nil, 0
}

func resolve(node *yaml.Node) *yaml.Node {
	if node.Kind == yaml.AliasNode {
		return node.Alias
	}
	return node
}
