package dialect

import (
	"fmt"
	"math"

	"benchwarden/instruments/quantity"
)

// Args are the parameters of one command or question: quantities, float64 (in base units), int, bool or string.
type Args map[string]any

// Call is one command with its parameters.
type Call struct {
	Command string
	Args    Args
}

// toNumber takes a finite number within the span out of an argument.
func toNumber(value any, span *Span) (float64, error) {
	var x float64
	switch v := value.(type) {
	case interface{ Value() quantity.Value }:
		q := v.Value()
		if span != nil && q.Unit != span.Min.Unit {
			return 0, fmt.Errorf("%v is not in %v", value, span.Min.Unit)
		}
		x = q.Number
	case float64:
		x = v
	case int:
		x = float64(v)
	default:
		return 0, fmt.Errorf("%v is not a number", value)
	}
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0, fmt.Errorf("%v is not a finite number", x)
	}
	if span != nil && !span.Holds(x) {
		return 0, fmt.Errorf("%v is outside %v", value, *span)
	}
	return x, nil
}

// Render writes a command. It refuses what is not finite, outside the file's ranges, or could end a message.
func (d *Dialect) Render(command string, args Args) (string, error) {
	c, ok := d.Commands[command]
	if !ok {
		return "", fmt.Errorf("dialect %s has no command %s", d.Name, command)
	}
	message, err := c.Send.render(args, d.Ranges)
	if err != nil {
		return "", fmt.Errorf("%s: %w; nothing was sent", command, err)
	}
	return message, nil
}

// RenderQuery writes a question, refusing as Render does.
func (d *Dialect) RenderQuery(query string, args Args) (string, error) {
	q, ok := d.Queries[query]
	if !ok {
		return "", fmt.Errorf("dialect %s has no question %s", d.Name, query)
	}
	message, err := q.Ask.render(args, d.Ranges)
	if err != nil {
		return "", fmt.Errorf("%s: %w; nothing was asked", query, err)
	}
	return message, nil
}
