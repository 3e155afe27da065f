package datafile

import (
	"reflect"
	"strings"
)

// field is a field of a struct that a key of the file is read into.
type field struct {
	name   string
	needed bool
	value  reflect.Value
}

// fieldsOf are the fields with a yaml tag of a struct and of the structs embedded in it.
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
