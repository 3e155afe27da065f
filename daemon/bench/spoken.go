package bench

import (
	"benchwarden/instruments/dialect"
	"benchwarden/instruments/meter"
)

// answered is what one value of an answer takes on the wire, its separator included: "+2.400000E+01," (practice).
const answered = 14

// Speaks looks dialects up in directories, for Validate.
func Speaks(dirs []string) Spoke {
	return func(name string) (Spoken, error) {
		d, err := dialect.LoadNamed(dirs, name)
		if err != nil {
			return Spoken{}, err
		}
		return spoken(d), nil
	}
}

func spoken(d *dialect.Dialect) Spoken {
	s := Spoken{FourWire: d.Has(string(meter.FourWire)), Kind: d.Kind, OverCurrent: d.OverCurrent, Gap: d.Gap.Duration()}
	values := map[string]int{}
	switch d.Kind {
	case "supply":
		values = map[string]int{"voltage": 1, "current": 1, "mode": 2}
		if d.Has("reading") {
			values = map[string]int{"reading": 4}
		}
	case "meter":
		values = map[string]int{"dc_volts": 1}
	}
	for query, n := range values {
		question, err := d.RenderQuery(query, nil)
		if err != nil {
			continue // the dialect's own check refuses such a file
		}
		s.Exchanges++
		s.Characters += len(question) + len(d.EOL) + n*answered + len(d.EOL)
	}
	return s
}
