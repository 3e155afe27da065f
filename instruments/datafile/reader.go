package datafile

import (
	"encoding"
	"fmt"
	"iter"
	"reflect"
	"slices"
	"strconv"

	"go.yaml.in/yaml/v3"

	"benchwarden/instruments/quantity"
)

// mostValues bounds the work on one file, so that aliases of aliases cannot multiply for ever.
const mostValues = 100_000

type reader struct {
	doc    *Document
	faults Faults
	values int
}

func (r *reader) fault(node *yaml.Node, key, format string, args ...any) {
	r.faults = append(r.faults, Fault{File: r.doc.name, Line: node.Line, Key: key, Text: fmt.Sprintf(format, args...)})
}

var textUnmarshaler = reflect.TypeFor[encoding.TextUnmarshaler]()

// value reads node into v, which can be set.
func (r *reader) value(node *yaml.Node, v reflect.Value, key string) {
	node = resolve(node)
	switch r.values++; {
	case r.values == mostValues:
		r.fault(node, key, "the file is too large: it has more than %d values", mostValues)
		return
	case r.values > mostValues:
		return
	case null(node):
		r.fault(node, key, "has no value%s", example(v))
		return
	}
	if v.Kind() == reflect.Pointer {
		v.Set(reflect.New(v.Type().Elem()))
		v = v.Elem()
	}
	if v.Addr().Type().Implements(textUnmarshaler) && !spelledOut(node, v) {
		r.text(node, v, key)
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		r.structure(node, v, key)
	case reflect.Map:
		r.mapping(node, v, key)
	case reflect.Slice:
		r.list(node, v, key)
	default:
		r.scalar(node, v, key)
	}
}

// spelledOut tells that a type which reads itself from one value is given with its parts: keys where it has fields of the
// file, a list where it is one.
func spelledOut(node *yaml.Node, v reflect.Value) bool {
	switch v.Kind() {
	case reflect.Struct:
		return node.Kind == yaml.MappingNode && len(fieldsOf(v)) > 0
	case reflect.Slice:
		return node.Kind == yaml.SequenceNode
	}
	return false
}

func (r *reader) is(node *yaml.Node, kind yaml.Kind, key, what string) bool {
	if node.Kind == kind {
		return true
	}
	found := strconv.Quote(node.Value)
	switch node.Kind {
	case yaml.MappingNode:
		found = "keys and values"
	case yaml.SequenceNode:
		found = "a list"
	}
	r.fault(node, key, "wants %s, got %s", what, found)
	return false
}

// text reads a type that reads itself: a quantity, a date.
func (r *reader) text(node *yaml.Node, v reflect.Value, key string) {
	if !r.is(node, yaml.ScalarNode, key, "one value") {
		return
	}
	if err := v.Addr().Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(node.Value)); err != nil {
		r.fault(node, key, "%v", err)
	}
}

func (r *reader) scalar(node *yaml.Node, v reflect.Value, key string) {
	if !r.is(node, yaml.ScalarNode, key, "one value") {
		return
	}
	wrong := func(want string) { r.fault(node, key, "wants %s, got %q", want, node.Value) }
	switch {
	case v.Kind() == reflect.String:
		v.SetString(node.Value)
	case v.Kind() == reflect.Bool:
		switch node.Value {
		case "true", "yes":
			v.SetBool(true)
		case "false", "no":
			v.SetBool(false)
		default:
			wrong("true or false")
		}
	case v.CanInt():
		n, err := strconv.ParseInt(node.Value, 10, 64)
		if err != nil || v.OverflowInt(n) {
			wrong("a whole number")
			return
		}
		v.SetInt(n)
	case v.CanFloat():
		f, err := strconv.ParseFloat(node.Value, 64)
		if err != nil || f-f != 0 || v.OverflowFloat(f) { // neither infinite nor NaN
			wrong("a number")
			return
		}
		v.SetFloat(f)
	default:
		panic(fmt.Sprintf("%s: a field of kind %s cannot be read from a file", key, v.Kind()))
	}
}

func (r *reader) list(node *yaml.Node, v reflect.Value, key string) {
	if !r.is(node, yaml.SequenceNode, key, "a list") {
		return
	}
	list := reflect.MakeSlice(v.Type(), len(node.Content), len(node.Content))
	for i, item := range node.Content {
		r.value(item, list.Index(i), fmt.Sprintf("%s[%d]", key, i))
	}
	v.Set(list)
}

func (r *reader) mapping(node *yaml.Node, v reflect.Value, key string) {
	if !r.is(node, yaml.MappingNode, key, "keys and values") {
		return
	}
	m := reflect.MakeMapWithSize(v.Type(), len(node.Content)/2)
	for name, item := range r.entries(node, key) {
		element := reflect.New(v.Type().Elem()).Elem()
		r.value(item, element, join(key, name.Value))
		m.SetMapIndex(reflect.ValueOf(name.Value).Convert(v.Type().Key()), element)
	}
	v.Set(m)
}

// entries yields the keys of a mapping with their values; a key that stands twice is a fault.
func (r *reader) entries(node *yaml.Node, key string) iter.Seq2[*yaml.Node, *yaml.Node] {
	return func(yield func(name, item *yaml.Node) bool) {
		seen := map[string]int{}
		for name, item := range pairs(node) {
			line, twice := seen[name.Value]
			switch {
			case name.Kind != yaml.ScalarNode:
				r.fault(name, key, "a key has to be a word")
			case twice:
				r.fault(name, join(key, name.Value), "stands twice, first in line %d", line)
			default:
				seen[name.Value] = name.Line
				if !yield(name, item) {
					return
				}
			}
		}
	}
}

func join(key, name string) string {
	if key == "" {
		return name
	}
	return key + "." + name
}

func (r *reader) structure(node *yaml.Node, v reflect.Value, key string) {
	if !r.is(node, yaml.MappingNode, key, "keys and values") {
		return
	}
	fields := fieldsOf(v)
	known := make([]string, len(fields))
	for i, f := range fields {
		known[i] = f.name
	}
	found := map[string]bool{}
	for name, item := range r.entries(node, key) {
		i := slices.Index(known, name.Value)
		if i < 0 {
			r.fault(name, join(key, name.Value), "unknown key%s", DidYouMean(name.Value, known))
			continue
		}
		found[name.Value] = true
		r.value(item, fields[i].value, join(key, name.Value))
	}
	for _, f := range fields {
		if f.needed && !found[f.name] {
			r.faults = append(r.faults, r.doc.Fault(join(key, f.name), "is missing%s", example(f.value)))
		}
	}
}

// example says what a quantity that was left out looks like.
func example(v reflect.Value) string {
	if v.Kind() == reflect.Pointer {
		v = reflect.Zero(v.Type().Elem())
	}
	q, ok := v.Interface().(interface{ Value() quantity.Value })
	if !ok {
		return ""
	}
	return fmt.Sprintf("; write a value with its unit, for example 1 %s", q.Value().Unit)
}
