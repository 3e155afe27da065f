package quantity

import (
	"encoding/json"
	"math"
)

// readRecord reads a typed quantity from JSON. A record has to come back as it was written, so what is no number is read
// too, which no file that a person writes may hold.
func readRecord[T ~float64](into *T, data []byte, unit Unit) error {
	var text string
	if err := json.Unmarshal(data, &text); err != nil {
		return err
	}
	for _, number := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if text == (Value{number, unit}).String() {
			*into = T(number)
			return nil
		}
	}
	return parseInto(into, []byte(text), unit)
}
