package drive

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"benchwarden/instruments/datafile"
	"benchwarden/instruments/quantity"
)

// Figures are a stage's limits as text with their units, by the key that the family file has for each; a figure that the
// file does not give is left out.
func (l StageLimits) Figures() map[string]string {
	figures := map[string]string{}
	eachFigure(l, func(key string, v quantity.Value) {
		if v.Number != 0 {
			figures[key] = v.String()
		}
	})
	return figures
}

// FigureKeys are the keys of the limits that a stage may have, in the file's order.
func FigureKeys() (keys []string) {
	eachFigure(StageLimits{}, func(key string, _ quantity.Value) { keys = append(keys, key) })
	return keys
}

func eachFigure(l StageLimits, do func(key string, v quantity.Value)) {
	of := reflect.ValueOf(l)
	for i := range of.NumField() {
		if q, ok := of.Field(i).Interface().(interface{ Value() quantity.Value }); ok {
			do(of.Type().Field(i).Tag.Get("yaml"), q.Value())
		}
	}
}

// figures are all limits of a family, "board.bus_voltage": "100 V".
func (f *Family) figures() map[string]string {
	all := map[string]string{}
	for stage, l := range f.Stages {
		for key, text := range l.Figures() {
			all[string(stage)+"."+key] = text
		}
	}
	return all
}

// wantFigure refuses a key that no limit has and a value of another unit.
func wantFigure(key, text string) error {
	if !slices.Contains(FigureKeys(), key) {
		return fmt.Errorf("%q is no limit of a stage%s; the limits are %s", key, datafile.DidYouMean(key, FigureKeys()), strings.Join(FigureKeys(), ", "))
	}
	var err error
	eachFigure(StageLimits{}, func(k string, v quantity.Value) {
		if k == key {
			_, err = quantity.ParseAs(text, v.Unit)
		}
	})
	if err != nil {
		return fmt.Errorf("%s: %w", key, err)
	}
	return nil
}
