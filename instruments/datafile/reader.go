package datafile

import (
	"encoding"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"benchwarden/instruments/quantity"
)

// deepest bounds nesting, so that an alias that holds itself ends.
const deepest = 32

type reader struct {
	doc    *Document
	faults Faults
}

func (r *reader) fault(node *yaml.Node, key, format string, args ...any) {
	r.faults = append(r.faults, Fault{File: r.doc.name, Line: node.Line, Key: key, Text: fmt.Sprintf(format, args...)})
}

var textUnmarshaler = reflect.TypeFor[encoding.TextUnmarshaler]()

// value reads node into v, which can be set.
func (r *reader) value(node *yaml.Node, v reflect.Value, key string, depth int) {
	node = resolve(node)
	if depth > deepest {
		r.fault(node, key, "nested too deep")
		return
	}
	if v.Kind() == reflect.Pointer {
		v.Set(reflect.New(v.Type().Elem()))
		r.value(node, v.Elem(), key, depth+1)
		return
	}
	if reflect.PointerTo(v.Type()).Implements(textUnmarshaler) {
		r.text(node, v, key)
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		r.structure(node, v, key, depth)
	case reflect.Map:
		r.mapping(node, v, key, depth)
	case reflect.Slice:
		if !r.is(node, yaml.SequenceNode, key, "a list") {
			return
		}
		list := reflect.MakeSlice(v.Type(), len(node.Content), len(node.Content))
		for i, item := range node.Content {
			r.value(item, list.Index(i), fmt.Sprintf("%s[%d]", key, i), depth+1)
		}
		v.Set(list)
	default:
		r.scalar(node, v, key)
	}
}

func (r *reader) is(node *yaml.Node, kind yaml.Kind, key, what string) bool {
	if node.Kind == kind {
		return true
	}
	found := map[yaml.Kind]string{yaml.MappingNode: "keys and values", yaml.SequenceNode: "a list", yaml.ScalarNode: strconv.Quote(node.Value)}[node.Kind]
	r.fault(node, key, "wants %s, got %s", what, found)
	return false
}

// text reads a type that reads itself: a quantity, a date.
func (r *reader) text(node *yaml.Node, v reflect.Value, key string) {
	if !r.is(node, yaml.ScalarNode, key, "one value") {
		return
	}
	if err := v.Addr().Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(node.Value)); err != nil {
		r.fault(node, key, "%s", strings.ReplaceAll(err.Error(), "\n", " "))
	}
}

func (r *reader) scalar(node *yaml.Node, v reflect.Value, key string) {
	if !r.is(node, yaml.ScalarNode, key, "one value") {
		return
	}
	wrong := func(want string) { r.fault(node, key, "wants %s, got %q", want, node.Value) }
	switch v.Kind() {
	case reflect.String:
		v.SetString(node.Value)
	case reflect.Bool:
		switch node.Value {
		case "true", "yes":
			v.SetBool(true)
		case "false", "no":
			v.SetBool(false)
		default:
			wrong("true or false")
		}
	case reflect.Int, reflect.Int64:
		n, err := strconv.ParseInt(node.Value, 10, 64)
		if err != nil || v.OverflowInt(n) {
			wrong("a whole number")
			return
		}
		v.SetInt(n)
	case reflect.Float64:
		f, err := strconv.ParseFloat(node.Value, 64)
		if err != nil || f-f != 0 { // neither infinite nor NaN
			wrong("a number")
			return
		}
		v.SetFloat(f)
	default:
		panic(fmt.Sprintf("%s: a field of kind %s cannot be read from a file", key, v.Kind()))
	}
}

func (r *reader) mapping(node *yaml.Node, v reflect.Value, key string, depth int) {
	if !r.is(node, yaml.MappingNode, key, "keys and values") {
		return
	}
	m := reflect.MakeMapWithSize(v.Type(), len(node.Content)/2)
	for name, item := range r.entries(node, key) {
		k := reflect.New(v.Type().Key()).Elem()
		k.SetString(name)
		element := reflect.New(v.Type().Elem()).Elem()
		r.value(item, element, join(key, name), depth+1)
		m.SetMapIndex(k, element)
	}
	v.Set(m)
}

// entries yields the keys of a mapping with their values; a key that stands twice is a fault.
func (r *reader) entries(node *yaml.Node, key string) func(func(string, *yaml.Node) bool) {
	return func(yield func(string, *yaml.Node) bool) {
		seen := map[string]int{}
		for i := 0; i+1 < len(node.Content); i += 2 {
			name, item := node.Content[i], node.Content[i+1]
			if name.Kind != yaml.ScalarNode {
				r.fault(name, key, "a key has to be a word")
				continue
			}
			if line, twice := seen[name.Value]; twice {
				r.fault(name, join(key, name.Value), "stands twice, first in line %d", line)
				continue
			}
			seen[name.Value] = name.Line
			if !yield(name.Value, item) {
				return
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

func (r *reader) structure(node *yaml.Node, v reflect.Value, key string, depth int) {
	if !r.is(node, yaml.MappingNode, key, "keys and values") {
		return
	}
	fields := fieldsOf(v)
	var known []string
	for _, f := range fields {
		known = append(known, f.name)
	}
	found := map[string]bool{}
	for name, item := range r.entries(node, key) {
		i := slices.Index(known, name)
		if i < 0 {
			r.faults = append(r.faults, Fault{File: r.doc.name, Line: lineOf(node, name), Key: join(key, name),
				Text: "unknown key" + DidYouMean(name, known)})
			continue
		}
		found[name] = true
		r.value(item, fields[i].value, join(key, name), depth+1)
	}
	for _, f := range fields {
		if f.needed && !found[f.name] {
			r.fault(node, join(key, f.name), "is missing%s", example(f.value))
		}
	}
}

func lineOf(node *yaml.Node, name string) int {
	_, line := child(node, name)
	return line
}

// example says what a missing quantity looks like.
func example(v reflect.Value) string {
	q, ok := v.Interface().(interface{ Value() quantity.Value })
	if !ok {
		return ""
	}
	return fmt.Sprintf("; write a value with its unit, for example 1 %s", q.Value().Unit)
}

type field struct {
	name   string
	needed bool
	value  reflect.Value
}

// fieldsOf are the fields of a struct and of the structs embedded in it.
func fieldsOf(v reflect.Value) []field {
	var fields []field
	for i := range v.NumField() {
		f := v.Type().Field(i)
		name, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		switch {
		case f.Anonymous && name == "" && f.Type.Kind() == reflect.Struct:
			fields = append(fields, fieldsOf(v.Field(i))...)
		case f.IsExported() && name != "" && name != "-":
			fields = append(fields, field{name, f.Tag.Get("need") == "true", v.Field(i)})
		}
	}
	return fields
}
