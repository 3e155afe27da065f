package dialect

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"benchwarden/instruments/quantity"
)

// Key is the value of that name alone. Asking a value that the answer does not have fails.
func (a Answer) Key(name string) Answer {
	one := a
	one.only = name
	return one
}

// Has tells whether the answer has a value of that name.
func (a Answer) Has(name string) bool {
	_, ok := a.data[name]
	return ok
}

func (a Answer) datum(is ...sort) (datum, error) {
	d, ok := a.data[a.only]
	if !ok {
		if a.only == "" {
			return datum{}, errors.New("the answer has several values, and none was named")
		}
		return datum{}, fmt.Errorf("the answer has no value %s", a.only)
	}
	for _, want := range is {
		if d.is == want {
			return d, d.err
		}
	}
	return datum{}, fmt.Errorf("%s is %s", a.only, d.is)
}

// Number is the value in its base unit. It is scpi.ErrNoReading or scpi.ErrOverrange where the instrument said so, and
// always finite.
func (a Answer) Number() (float64, error) {
	d, err := a.datum(aNumber, aWhole)
	if err != nil {
		return 0, err
	}
	return d.number, nil
}

// Value is Number with its unit.
func (a Answer) Value() (quantity.Value, error) {
	d, err := a.datum(aNumber)
	if err != nil {
		return quantity.Value{}, err
	}
	return quantity.Value{Number: d.number, Unit: d.unit}, nil
}

// Bool is a yes or no.
func (a Answer) Bool() (bool, error) {
	d, err := a.datum(aSwitch)
	return d.on && err == nil, err
}

// Word is one of our own words.
func (a Answer) Word() (string, error) {
	d, err := a.datum(aWord, aText)
	if err != nil {
		return "", err
	}
	return d.text, nil
}

// Is tells whether a status says that: "cc", "over_voltage".
func (a Answer) Is(state string) (bool, error) {
	d, err := a.datum(aStatus)
	return d.states[state] && err == nil, err
}

// Text is the whole answer as it came.
func (a Answer) Text() string { return string(a.reply) }

// Fields are the answer's fields as the dialect splits them; the whole answer where it does not.
func (a Answer) Fields() []string {
	if a.split == "" {
		return []string{a.Text()}
	}
	return split(a.Text(), a.split)
}

// Block is the bytes of a block, nil where the value is none.
func (a Answer) Block() []byte {
	d, err := a.datum(aBlock)
	if err != nil {
		return nil
	}
	return d.block
}

// What the bytes of a block stand for.
const (
	Int8    = "int8"
	Uint8   = "uint8"
	Int16   = "int16"
	Uint16  = "uint16"
	Float32 = "float32"
)

// Samples says what the bytes of the block stand for.
func (a Answer) Samples() string { return a.from.Samples }

func (a Answer) order() binary.ByteOrder {
	if a.from.Order == "little" {
		return binary.LittleEndian
	}
	return binary.BigEndian
}

// Words16 are the samples of an int16 or uint16 block; unsigned ones are moved down by 32768 to fit.
func (a Answer) Words16() []int16 {
	data, order := a.Block(), a.order()
	moved := uint16(0)
	if a.from.Samples == Uint16 {
		moved = 1 << 15
	}
	codes := make([]int16, len(data)/2)
	for i := range codes {
		codes[i] = int16(order.Uint16(data[2*i:]) ^ moved)
	}
	return codes
}

// Floats are the samples of a float32 block. A sample that is no finite number is an error.
func (a Answer) Floats() ([]float64, error) {
	data, order := a.Block(), a.order()
	values := make([]float64, len(data)/4)
	for i := range values {
		x := float64(math.Float32frombits(order.Uint32(data[4*i:])))
		if math.IsNaN(x) || math.Abs(x) >= 9.9e37*(1-1e-6) { // float32 of 9.9E37 is just below it
			return nil, fmt.Errorf("sample %d is no number", i)
		}
		values[i] = x
	}
	return values, nil
}
