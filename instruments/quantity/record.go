package quantity

import (
	"encoding/json"
	"math"
	"strings"
)

// readRecord reads a typed quantity from JSON. A record has to come back as it was written, so what is no number is read
// too, which no file that a person writes may hold.
func readRecord[T ~float64](into *T, data []byte, unit Unit) error {
	var text string
	if err := json.Unmarshal(data, &text); err != nil {
		return err
	}
	word, _, _ := strings.Cut(text, " ")
	switch word {
	case "NaN":
		*into = T(math.NaN())
	case "+Inf":
		*into = T(math.Inf(1))
	case "-Inf":
		*into = T(math.Inf(-1))
	default:
		return parseInto(into, []byte(text), unit)
	}
	return nil
}
